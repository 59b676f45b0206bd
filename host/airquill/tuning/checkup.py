"""A unit's checkup: two minutes of picks with the tip closed and open, and a few presses, as figures and traces."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from datetime import date
from statistics import fmean
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from airquill.errors import AirquillError
from airquill.link.client import Client, Refused
from airquill.link.convert import Value
from airquill.link.history import fault_of
from airquill.pedals.record import record
from airquill.pneumatics.ambient import SEA_LEVEL_PA, ambient_pa
from airquill.report.trace import EVERY_MS, Recorder, Trace
from airquill.tuning.hands import Hands
from airquill.tuning.sequence import (
    AFTER_S,
    IDLE_PCT,
    PICK_S,
    REST_S,
    REST_SAMPLES_S,
    SEQUENCE,
    WARM_S,
    Pick,
    figures_of,
)
from airquill.tuning.tool import CALM_S, DEAD_MAN_MS, LEVEL_MS, RISE_S, VACUUM, Tool

FORMAT = 1
PRESSES = 4
PEDALS = (1, 2)
_SUPPLY = "supply.volts"
_NOISE = "sensor.noise_kpa"
_LEAST_SAMPLES = 30
_CLOSE_S = 0.1  # before a change, recorded closely
# Short of the pump's longest run, and longer than a hand needs between two picks of one block.
_IDLE_OFF_S = 20

SETTINGS: dict[str, Value] = {
    "control.mode": "steady",
    "grip.detect": False,
    "sensor.filter_ms": 10,
    "pump.idle_pct": IDLE_PCT,
    "pump.idle_off_s": _IDLE_OFF_S,
    "panel.lock": True,
}
"""What runs during a checkup whatever the unit's owner has set, so that figures can be compared. Nothing is saved."""


class Checkup(BaseModel):
    """What a checkup found. `figures` are named with their units, kPa as at sea level; None was not to be measured.

    `stopped_by` is the word of the fault that stopped the unit meanwhile, empty when none did. `traces` are those of
    `Trace.as_json()` by the name of the pick. `chip` says which unit it was.
    """

    model_config = ConfigDict(extra="forbid")

    format: int = FORMAT
    day: str
    chip: str
    needle_gauge: int
    altitude_m: float
    figures: dict[str, float | None]
    stopped_by: str = ""
    traces: dict[str, dict[str, Any]] = {}
    notes: list[str] = []

    def trace(self, name: str) -> Trace:
        """The trace of a pick of that name."""
        return Trace.of_json(self.traces[name])


def read_checkup(text: str | bytes, name: str) -> Checkup:
    """A checkup from its JSON. AirquillError says what is wrong with it; `name` is where it came from."""
    try:
        found = Checkup.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the file"
        raise AirquillError(f"{name} is no checkup: {where}: {first['msg']}.") from error
    if found.format != FORMAT:
        raise AirquillError(
            f"{name} is a checkup of format {found.format}, and this Airquill reads format {FORMAT}. "
            "Use the Airquill that wrote it, or a newer one."
        )
    return found


def sea_level_factor(altitude_m: float) -> float:
    """What a vacuum at an altitude is multiplied with to be as at sea level. AirquillError outside the standard."""
    try:
        return SEA_LEVEL_PA / ambient_pa(altitude_m)
    except ValueError as error:
        raise AirquillError(f"No unit is measured there: {error}.") from error


def run_checkup(
    tool: Tool, needle_gauge: int, altitude_m: float, on_step: Callable[[str], None] = lambda _step: None
) -> Checkup:
    """Measure a unit. `on_step` is told what comes next, for people.

    Without a sensor only supply and pedals are measured; without hands, only the open tip. The unit is safe and has its
    own settings afterwards, also when this is left early; `tool.left_unsafe` says when it could not be reached.

    A fault of the unit that stops it, or did before, ends the checkup: what was measured until then is in it.
    AirquillError for an altitude outside the standard, and when the unit says what it should not; LinkLost.
    """
    factor = sea_level_factor(altitude_m)
    unit = tool.unit
    found = Checkup(
        day=date.today().isoformat(),
        chip=unit.greeting.chip,
        needle_gauge=needle_gauge,
        altitude_m=altitude_m,
        figures={},
    )
    run = _Run(tool, found, on_step)
    if run.stopped():
        return found
    try:
        with tool.settings(SETTINGS):
            run.all(needle_gauge)
    except Refused as error:
        if error.word not in ("unit_stopped", "cause_remains") or not run.stopped():
            raise
    finally:
        tool.safe()
    found.figures |= figures_of({name: found.trace(name) for name in found.traces}, factor)
    rest = found.figures.get("rest_kpa")
    found.figures["rest_kpa"] = None if rest is None else rest * factor
    return found


class _Run:
    """The steps of one checkup; what they find goes into `found`."""

    def __init__(self, tool: Tool, found: Checkup, on_step: Callable[[str], None]) -> None:
        self._tool = tool
        self._unit: Client = tool.unit
        self._found = found
        self._on_step = on_step
        there = tool.capabilities()
        self._hands: Hands | None = tool.hands if "hands" in there else None
        self._senses = "sensor" in there
        self._supply = "supply" in there

    def stopped(self) -> bool:
        """Whether a fault keeps the unit stopped; the checkup then says which."""
        number = int(str(self._unit.get("fault.active")["fault.active"]))
        if number:
            entry = fault_of(number)
            self._found.stopped_by = entry.word if entry else f"number_{number}"
        return number != 0

    def all(self, needle_gauge: int) -> None:
        """Everything that unit and hands allow, until a fault stops the unit."""
        figures = self._found.figures
        if self._hands is not None:
            self._hands.fit_needle(needle_gauge)
            self._hands.open_tip()
        self._on_step("At rest")
        self._rest()
        if self._senses:
            self._picks()
        else:
            self._found.notes.append("No vacuum sensor was used: the air was not measured.")
        if self._hands is None:
            self._found.notes.append("No hand was there: the tip was not closed and no pedal pressed.")
        elif not self.stopped():
            for pedal in PEDALS:
                self._on_step(f"Pedal {pedal}")
                figures |= self._pedal(pedal, self._hands)

    def _rest(self) -> None:
        """Pump still, tip free: what sensor and supply say of themselves."""
        unit, figures = self._unit, self._found.figures
        self._tool.stand()
        unit.port.sleep(REST_S - REST_SAMPLES_S)
        if self._senses:
            with Recorder(unit) as recorder:
                recorder.run(REST_SAMPLES_S)
                kpa = recorder.trace().kpa
            figures["rest_kpa"] = fmean(kpa) if kpa else None
            figures["noise_kpa"] = _number(unit.get(_NOISE)[_NOISE])
        if self._supply:
            figures["supply_v"] = self._volts()

    def _volts(self) -> float | None:
        """Supply, the mean of a few readings."""
        said = [_number(self._unit.get(_SUPPLY)[_SUPPLY]) for _ in range(4)]
        volts = [value for value in said if value is not None]
        return fmean(volts) if volts else None

    def _picks(self) -> None:
        sealed = False
        hands = self._hands
        for number, pick in enumerate(SEQUENCE):
            if pick.sealed and hands is None:
                continue
            self._on_step(pick.name[:1].upper() + pick.name[1:])
            if hands is not None and (pick.sealed != sealed or number == 0):
                if pick.sealed:
                    hands.seal_tip()
                else:
                    hands.open_tip()
                self._warm()
            sealed = pick.sealed
            self._found.traces[pick.name] = self._record(pick).as_json()
            if self.stopped():
                return
        if hands is not None:
            hands.open_tip()

    def _warm(self) -> None:
        """Pump running, its own side evacuated: as in all picks but a first."""
        with self._tool.vacuum():
            self._unit.port.sleep(WARM_S)

    def _record(self, pick: Pick) -> Trace:
        unit = self._unit
        self._tool.calm()
        with contextlib.ExitStack() as stack:
            if pick.decays:
                stack.enter_context(self._tool.settings({"pump.floor_pct": 0}))
            recorder = stack.enter_context(Recorder(unit))
            unit.do("dead_man", DEAD_MAN_MS)
            unit.do("strength", pick.strength_pct)
            unit.do("pick")
            try:
                self._watch(recorder, pick)
            finally:
                unit.do("release")
                unit.do("dead_man", 0)
            recorder.run(AFTER_S)
            unit.do("preset", unit.get("preset.active")["preset.active"])
            trace = recorder.trace()
        if len(trace.at_s) < _LEAST_SAMPLES and not self.stopped():
            raise AirquillError(
                f"The unit sent {len(trace.at_s)} readings of its vacuum in {pick.seconds:.1f} s. Look at its cable, "
                "and whether another program keeps this computer busy; then repeat.",
                3,
            )
        return trace

    def _watch(self, recorder: Recorder, pick: Pick) -> None:
        """Closely where the vacuum moves: a unit cannot collect the memory that events take while vacuum is on."""
        unit = self._unit
        begun = unit.port.now()

        def until(seconds: float) -> None:
            recorder.run(max(begun + seconds - unit.port.now(), 0.0))

        until(RISE_S)
        unit.stream(LEVEL_MS, VACUUM)
        if pick.decays:
            if self._supply:
                self._found.figures["supply_on_v"] = self._volts()
            until(PICK_S)
            unit.do("strength", 0)
        until(pick.seconds - _CLOSE_S)
        unit.stream(EVERY_MS, VACUUM)
        until(pick.seconds)

    def _pedal(self, pedal: int, hands: Hands) -> dict[str, float | None]:
        """A few presses: how long the contact bounces, how often it moves with no foot moving, what was miscounted."""
        name = f"pedal{pedal}"
        self._unit.port.sleep(CALM_S)
        try:
            bounce = record(self._unit, pedal, PRESSES, _Feet(hands))
        except Refused:
            raise
        except AirquillError as error:
            if error.exit_code != 1:
                raise
            self._found.notes.append(error.sentence)
            return {f"{name}_missed": float(PRESSES)}
        return {
            f"{name}_bounce_ms": max(bounce.press.longest_ms, bounce.release.longest_ms),
            f"{name}_strays": float(bounce.strays),
            f"{name}_missed": float(PRESSES - bounce.counted),
        }


class _Feet:
    """The hands' way of pressing a pedal, for a recording of its bounce."""

    def __init__(self, hands: Hands) -> None:
        self._hands = hands
        self.patience_s = hands.patience_s

    def press(self, pedal: int) -> None:
        self._hands.press(pedal)

    def chord(self, held: int, pressed: int) -> None:
        raise NotImplementedError  # a recording presses one pedal only


def _number(value: Value) -> float | None:
    return None if value is None else float(str(value))
