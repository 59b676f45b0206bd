"""The air path of a measured tool, from its figures: names with units to numbers, as a twin file holds them.

Plain numbers in, so that it serves a unit in this process, one on MicroPython and a plan alike.
"""

from .air import Air
from .needles import Needle
from .pump import Pump
from .sensor import Sensor
from .valve import Valve

HOSE_BORE_MM = 2.5
HOSE_LENGTH_MM = 1000.0
_HOSE_ML = 0.7854e-3 * HOSE_BORE_MM * HOSE_BORE_MM * HOSE_LENGTH_MM

# name: (least, most, what is taken where it was not measured)
FIGURES = {
    "end_kpa": (5.0, 98.0, 65.0),
    "free_flow_lpm": (0.1, 30.0, 5.0),
    "curvature": (-0.9, 1.0, 0.0),
    "friction_pct": (0.0, 60.0, 10.0),
    "floor_pct": (0.0, 100.0, 28.0),
    "start_pct": (0.0, 100.0, 50.0),
    "pen_ml": (5.0, 200.0, 7.9),  # with the hose
    "line_ml": (0.1, 50.0, 2.0),
    "pump_ml": (0.2, 100.0, 6.0),
    "leak_ml_s": (0.0, 100.0, 0.017),  # conductance, 1e-6 m3/s
    "filter_kpa": (0.005, 80.0, 0.8),  # at 5 L/min
    "valve_c": (0.005, 5.0, 0.3),  # dm3/(s bar)
    "lag_ms": (0.0, 500.0, 1.0),
    "zero_kpa": (-20.0, 20.0, 0.0),
    "noise_kpa": (0.0, 5.0, 0.1),
    "ambient_kpa": (40.0, 110.0, 101.325),
}


def figure(figures: "dict[str, float]", name: str) -> float:
    """A figure, or what is usual. ValueError when it is outside what can be."""
    low, high, usual = FIGURES[name]
    value = figures.get(name, usual)
    if not low <= value <= high:
        raise ValueError("%s must be %g to %g" % (name, low, high))
    return value


def needle_of(shares: "dict[str, float]", gauge: int) -> Needle:
    """A needle of a gauge, with what the measured one of that gauge passes. ValueError."""
    return Needle(gauge, c_share=shares.get(str(gauge), 1.0))


def air_of(figures: "dict[str, float]", shares: "dict[str, float]", gauge: int = 22) -> Air:
    """The air path with a needle; `shares` are measured c_shares by gauge, as text. ValueError."""
    pump = Pump(
        figure(figures, "free_flow_lpm"),
        figure(figures, "end_kpa"),
        figure(figures, "curvature"),
        figure(figures, "start_pct") / 100.0,
        figure(figures, "floor_pct") / 100.0,
        figure(figures, "friction_pct") / 100.0,
    )
    return Air(
        pump,
        Valve(figure(figures, "valve_c")),
        needle_of(shares, gauge),
        HOSE_BORE_MM,
        HOSE_LENGTH_MM,
        figure(figures, "filter_kpa"),
        figure(figures, "pen_ml") - _HOSE_ML,
        figure(figures, "line_ml"),
        figure(figures, "pump_ml"),
        figure(figures, "leak_ml_s") * 1e-6,
        figure(figures, "ambient_kpa") * 1000.0,
    )


def sensor_of(figures: "dict[str, float]", seed: int) -> Sensor:
    """The sensor, read with the usual zero and span. ValueError."""
    made = Sensor(noise_kpa=figure(figures, "noise_kpa"), lag_s=figure(figures, "lag_ms") / 1000.0, seed=seed)
    made.zero_code += round(figure(figures, "zero_kpa") / made.span_kpa * 65536.0)
    return made
