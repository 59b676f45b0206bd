"""What is fitted: each parameter with what is usual, how widely tools differ, and how it is written for people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log

from airquill.pneumatics.measured import FIGURES

NEEDLE = "needle_"
NEEDLE_SPREAD = 0.08
_NEEDLE_BOUNDS = (0.3, 2.0)


@dataclass(frozen=True)
class Parameter:
    """`spread` is one standard deviation of what tools differ by, before anything is measured: of the logarithm where
    `relative`, else in the parameter's own unit. Common practice, no source; wide on purpose."""

    name: str
    unit: str
    meaning: str
    usual: float
    spread: float
    low: float
    high: float
    relative: bool = True
    needs: str = ""
    """Why a measurement without recordings cannot tell it; empty where levels do."""

    def inner(self, value: float) -> float:
        """The number that is fitted."""
        return log(value) if self.relative else value

    def outer(self, inner: float) -> float:
        """The value of a fitted number."""
        return exp(inner) if self.relative else inner


_MOVES = "steady levels do not show how fast the vacuum moves"


def _of(
    name: str, unit: str, meaning: str, spread: float, usual: float | None = None, *, relative: bool = True,
    low: float | None = None, needs: str = "",
) -> Parameter:  # fmt: skip
    least, most, taken = FIGURES[name]
    usual = taken if usual is None else usual
    return Parameter(name, unit, meaning, usual, spread, least if low is None else low, most, relative, needs)


AIR = (
    _of("end_kpa", "kPa", "Pump: vacuum that it ends at, at sea level", 0.2),
    _of("free_flow_lpm", "L/min", "Pump: flow at no vacuum", 0.5),
    _of("curvature", "", "Pump: bulge of its curve", 0.25, relative=False),
    _of("friction_pct", "%", "Pump: duty that only turns it over", 0.4, low=0.5),
    _of("pen_ml", "mL", "Volume of pen and hose", 0.4, needs=_MOVES),
    _of("line_ml", "mL", "Volume between filter and valve", 0.4, needs=_MOVES),
    _of("pump_ml", "mL", "Volume of the pump's side", 0.5, needs=_MOVES),
    _of("leak_ml_s", "mL/s", "Leak of the pen's side, seal of the tip included", 1.2, 0.03, low=1e-4),
    _of("filter_kpa", "kPa", "Drop of filter and hose fittings at 5 L/min", 0.7),
    _of("valve_c", "dm3/(s bar)", "Valve: sonic conductance", 0.5),
    _of("lag_ms", "ms", "Lag of the sensor", 0.7, 2.0, low=0.01, needs=_MOVES),
    _of("zero_kpa", "kPa", "Reading at ambient", 2.0, relative=False),
)
_ON = "From command until the valve begins to join, line included"
_OFF = "From command until the valve begins to vent, line included"
DELAYS = (
    Parameter("on_ms", "ms", _ON, 5.0, 15.0, -30.0, 200.0, False, _MOVES),
    Parameter("off_ms", "ms", _OFF, 12.0, 15.0, -30.0, 300.0, False, _MOVES),
)


def needle_parameter(gauge: int) -> Parameter:
    """What a measured needle passes over what its size says. Bores differ by a few percent; common practice."""
    low, high = _NEEDLE_BOUNDS
    return Parameter(
        f"{NEEDLE}{gauge}", "", f"Needle {gauge}G: flow over that of its size", 1.0, NEEDLE_SPREAD, low, high
    )


def parameters_for(needles: Sequence[int]) -> tuple[Parameter, ...]:
    """All that are fitted for these needles."""
    return AIR + DELAYS + tuple(needle_parameter(gauge) for gauge in needles)


def split(values: dict[str, float]) -> tuple[dict[str, float], dict[str, float]]:
    """Figures for pneumatics/measured.py, and needle shares by gauge, out of parameters by name."""
    figures = {name: value for name, value in values.items() if name in FIGURES}
    shares = {name[len(NEEDLE) :]: value for name, value in values.items() if name.startswith(NEEDLE)}
    return figures, shares
