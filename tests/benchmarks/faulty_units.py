"""Units with one fault of a kind and strength drawn, measured before and after: computed, or whole virtual ones.

Computed units (airquill.tuning.fleet) are physics and sensor without firmware; tests/tuning/test_fleet.py holds them
against whole ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from airquill.link.client import Client
from airquill.pneumatics.air import Air
from airquill.pneumatics.flow import ORIFICE_B, phi
from airquill.pneumatics.vector import AirMany
from airquill.simulator.contacts import BOUNCE
from airquill.simulator.control import Control
from airquill.tuning.baseline import Baseline
from airquill.tuning.causes import BY_NAME, CAUSES, HEALTHY, NEVER_STARTS, PEDAL
from airquill.tuning.checkup import Checkup, run_checkup
from airquill.tuning.features import COUNT, features_of
from airquill.tuning.fleet import Computed, Found, checkups
from airquill.tuning.hands import ControlHands, control_of
from airquill.tuning.makes import Day, Make
from airquill.tuning.model import Model, made
from airquill.tuning.pedal_model import presses
from airquill.tuning.tool import Tool

GAUGE = 22
DAY = "2026-11-25"
KINDS = tuple(cause.name for cause in CAUSES if cause.name != HEALTHY)
PEDAL_FAULTS = ("pedal_bounce", "pedal_chatter")
# What `accept` keeps in the unit.
KEPT = ("sealed_kpa", "open_kpa", "pull_down_s", "decay_kpa_s", "vent_ms", "let_go_ms")
NOISES = 3.0
"""A reading that a fault changes by more than this many of its standard deviations counts as changed."""
FOOT_MS = {style: max(times, default=0) / 1000 for style, times in BOUNCE.items()}


@dataclass(frozen=True)
class Drawn:
    """One unit: its make, the fault that it gets, or HEALTHY, and a seed for its noise and days."""

    seed: int
    kind: str
    strength: float
    make: Make
    pedal_fault: str = ""


@dataclass
class Measured:
    """A unit's checkups before and after its fault."""

    drawn: Drawn
    before: Checkup
    after: Checkup
    baseline: Baseline = field(init=False)

    def __post_init__(self) -> None:
        kept = {name: value for name in KEPT if (value := self.before.figures.get(name)) is not None}
        found = Baseline.of_text(Baseline(DAY, GAUGE, kept).text())  # rounded as the unit keeps it
        assert found is not None
        self.baseline = found

    def changed(self, model: Model) -> bool:
        """Whether the fault changes any reading by more than NOISES of its standard deviations."""
        if self.after.stopped_by:
            return True
        rows = np.array([features_of(one.figures, measured=True) for one in (self.before, self.after)])
        sigma = np.sqrt(2.0 * np.diag(model.repeat))
        pedal = ("pedal1_bounce_ms", "pedal1_strays", "pedal2_bounce_ms", "pedal2_strays")
        moved = any(abs((self.after.figures.get(n) or 0) - (self.before.figures.get(n) or 0)) >= 1.0 for n in pedal)
        return moved or bool((np.abs(rows[1] - rows[0]) > NOISES * sigma).any())


def draw(faulty: int, healthy: int, seed: int, bent: float = 0.0, kinds: Sequence[str] = KINDS) -> list[Drawn]:
    """Units within tolerances. With `bent` their pumps' curves are bent by 0.4 to 1 times that, either way."""
    chance = np.random.default_rng(seed)
    found = []
    for number in range(faulty + healthy):
        curvature = bent * float(chance.uniform(0.4, 1.0) * chance.choice((-1.0, 1.0)))
        make = Make.drawn(chance, curvature)
        kind = str(chance.choice(kinds)) if number < faulty else HEALTHY
        fault = str(chance.choice(PEDAL_FAULTS)) if kind == PEDAL else ""
        found.append(Drawn(seed * 10000 + number, kind, float(chance.random()), make, fault))
    return found


class OrificeLeaks(AirMany):
    """Air paths whose leaks are sharp holes (ISO 6358 with an orifice's b) instead of narrow slits: as large at half of
    the pump's end vacuum, and of another law elsewhere."""

    AT_PA = 32500.0

    def __init__(self, airs: Sequence[Air]) -> None:
        super().__init__(airs)
        self._slit = np.array([air._leak_g for air in airs])
        self._ambient = np.array([air.ambient_pa for air in airs])

    def step(self, dt_s: float) -> None:
        """One step with the holes' conductance at the pressure of now."""
        inside = np.clip(self._ambient - 1000.0 * self.pen_kpa, 1000.0, 0.999 * self._ambient)
        then = 1.0 - self.AT_PA / self._ambient
        self._leak_g = self._slit * self._secant(inside / self._ambient) / self._secant(then)
        super().step(dt_s)

    @staticmethod
    def _secant(ratio: Any) -> Any:
        return np.vectorize(phi)(ratio, ORIFICE_B) / (1.0 - ratio)


def computed(units: Sequence[Drawn], seed: int, holes: bool = False) -> list[Measured]:
    """Both checkups of all units, without firmware; with `holes`, leaks are holes."""
    together = OrificeLeaks if holes else AirMany
    chance = np.random.default_rng(seed)
    rows: list[Computed] = [made(chance, one.make, GAUGE) for one in units]
    for one in units:
        cause = None if one.kind in (HEALTHY, PEDAL) else BY_NAME[one.kind]
        rows.append(made(chance, one.make, GAUGE, cause, one.strength))
    found = checkups(rows, 1.0, seed + 1, together=together)
    styles = sorted(BOUNCE)
    out = []
    for number, one in enumerate(units):
        style = styles[int(chance.integers(len(styles)))]
        before = _checkup(found[number], one, style, {})
        fault = {one.pedal_fault: one.strength} if one.kind == PEDAL else {}
        out.append(Measured(one, before, _checkup(found[len(units) + number], one, style, fault)))
    return out


def _checkup(found: Found, drawn: Drawn, style: str, fault: dict[str, float]) -> Checkup:
    figures: dict[str, float | None] = dict(found.figures)
    if not found.stopped_by:
        for pedal in (1, 2):
            bounce, strays = presses(drawn.seed + pedal, fault, style)
            figures |= {f"pedal{pedal}_bounce_ms": bounce, f"pedal{pedal}_strays": strays, f"pedal{pedal}_missed": 0.0}
    return Checkup(
        day=DAY,
        chip="computed",
        needle_gauge=GAUGE,
        altitude_m=0.0,
        figures=figures,
        stopped_by=found.stopped_by,
        traces={} if found.stopped_by else {"computed": {}},
    )


class Fingers(ControlHands):
    """Hands around a virtual unit that may not close its tip well."""

    def __init__(self, control: Control, chance: np.random.Generator) -> None:
        super().__init__(control)
        self._fingers = control
        self._chance = chance
        self.open_share = 0.0

    def seal_tip(self) -> None:
        """Closed, or open to a share that differs from one time to the next."""
        self._fingers.tip(self.open_share * float(self._chance.uniform()) if self.open_share else "sealed")


# The virtual unit's name of what a cause is.
FAULT_OF = {
    "leak": "hose_leak",
    "pump_weak": "pump_wear",
    "pump_stiff": "pump_stall",
    "valve_open": "valve_stuck_open",
    "valve_shut": "valve_stuck_shut",
}


def whole(one: Drawn) -> Measured:
    """Both checkups of one whole virtual unit, firmware and all."""
    chance = np.random.default_rng(one.seed)
    with Client.open(f"sim://?seed={one.seed}") as unit:
        raw: Any = unit.port.raw
        world = raw.unit.world
        control = control_of(unit)
        assert control is not None
        one.make.fit(world.air, GAUGE)
        world.sensor.span_kpa /= one.make.span
        world.sensor.zero_code += one.make.zero_kpa / world.sensor.span_kpa * 65536
        hands = Fingers(control, chance)
        before, after = None, None
        for afterwards in (False, True):
            Day.drawn(chance).come(world.air, one.make)
            world.stir()
            if afterwards and one.kind == "tip_seal":
                hands.open_share = 0.33 * one.strength
            elif afterwards and one.kind == "pump_still":
                world.air.faults["pump_stall"] = NEVER_STARTS
                world.air.refresh()
            elif afterwards and one.kind != HEALTHY:
                fault = one.pedal_fault if one.kind == PEDAL else FAULT_OF.get(one.kind, one.kind)
                control.fault(fault, one.strength)
            # what stops a unit is found within seconds; the pump's side keeps its vacuum for minutes
            unit.port.sleep(900.0 if one.kind == "pump_still" and afterwards else 5.0)
            before, after = after, run_checkup(Tool(unit, hands), GAUGE, 0.0)
    assert before is not None and after is not None
    return Measured(one, before, after)


def swapped(units: Sequence[Drawn], seed: int) -> dict[str, list[Found]]:
    """Each unit as made, with its fault, and with its fault after each swap that a person is asked to try."""
    chance = np.random.default_rng(seed)
    ways: dict[str, list[Computed]] = {name: [] for name in ("made", "now", "needle", "filter", "finger")}
    for one in units:
        cause = None if one.kind in (HEALTHY, PEDAL) else BY_NAME[one.kind]
        day = int(chance.integers(1 << 30))
        for name, rows in ways.items():
            unit = made(np.random.default_rng(day), one.make, GAUGE, None if name == "made" else cause, one.strength)
            if name == "needle":
                unit.air.set_fault("tip_clog", 0.0)
                unit.open_shares = (0.0, 0.0)
            elif name == "filter":
                unit.air.filter_kpa = 1e-3
                unit.air.set_fault("filter_clog", 0.0)
            elif name == "finger":
                unit.open_shares = (0.0, 0.0)
            rows.append(unit)
    found = checkups([unit for rows in ways.values() for unit in rows], 1.0, seed + 1)
    return {name: found[number * len(units) : (number + 1) * len(units)] for number, name in enumerate(ways)}


def without_sensor(found: Checkup) -> Checkup:
    """What the same unit says of itself when it has no vacuum sensor and does not measure its supply."""
    kept = {name: value for name, value in found.figures.items() if name.startswith("pedal")}
    return replace_figures(found, kept)


def replace_figures(found: Checkup, figures: dict[str, float | None]) -> Checkup:
    """The same with other figures, measured without air."""
    return found.model_copy(update={"figures": figures, "traces": {}})


__all__ = ["COUNT", "Drawn", "Measured", "computed", "draw", "replace", "swapped", "whole", "without_sensor"]
