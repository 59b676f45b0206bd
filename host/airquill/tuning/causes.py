"""What can be wrong with a unit: each cause with its name, what to do about it, and how it is put into the model."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from airquill.tuning.fleet import Computed

Spoil = Callable[[Computed, float, np.random.Generator], None]
NEVER_STARTS = 1.5  # beyond a stall fault of 1, which starts at just its rated voltage
HEALTHY = "healthy"
PEDAL = "pedal"


@dataclass(frozen=True)
class Cause:
    """One cause. `spoil` puts it into a computed unit at a strength of 0 to 1; `sensor` is for what only a vacuum
    sensor has. `do` says what to do, `caution` what can hurt while doing it."""

    name: str
    title: str
    do: str
    caution: str = ""
    sensor: bool = False
    spoil: Spoil | None = None


def _air(fault: str) -> Spoil:
    def spoil(unit: Computed, strength: float, _draw: np.random.Generator) -> None:
        unit.air.set_fault(fault, strength)

    return spoil


def _still(unit: Computed, _strength: float, _draw: np.random.Generator) -> None:
    """No drive starts it."""
    unit.air.faults["pump_stall"] = NEVER_STARTS
    unit.air.refresh()


def _drift(unit: Computed, strength: float, draw: np.random.Generator) -> None:
    """Either way; downwards half as far, since 5 kPa down is where the unit takes the sensor for a dead one."""
    unit.drift = strength * float(draw.choice((-0.5, 1.0)))


def _dead(unit: Computed, strength: float, _draw: np.random.Generator) -> None:
    unit.dead = strength


def _noisy(unit: Computed, strength: float, _draw: np.random.Generator) -> None:
    unit.noisy = strength


def _tip_seal(unit: Computed, strength: float, draw: np.random.Generator) -> None:
    """A seal that leaks does so differently each time; at most a third of the needle stays open."""
    most = strength * 0.33
    first, second = most * draw.uniform(0.0, 1.0, 2)
    unit.open_shares = (float(first), float(second))


_OFF = "Switch the 12 V supply off and let the vacuum go before you open anything."
_NEEDLE = "Blunt needles still puncture: hold the hub, not the needle."

CAUSES = (
    Cause(HEALTHY, "nothing wrong", "Nothing is to be done."),
    Cause(
        "tip_clog",
        "needle clogged",
        "Fit a new needle. A clogged one can be flushed with isopropanol from a syringe, away from the pen.",
        f"{_NEEDLE} Wear glasses when you flush it, and never blow through it with your mouth.",
        spoil=_air("tip_clog"),
    ),
    Cause(
        "filter_clog",
        "filter clogged",
        "Change the filter, then send `airquill do filter_changed`.",
        _OFF,
        spoil=_air("filter_clog"),
    ),
    Cause(
        "leak",
        "leak between needle and filter: hose, pen or a fitting",
        "Close the tip, run the pump and go along hose and fittings with a wet finger: where the tone of the pump "
        "changes, air comes in. Push the hose on anew with its last centimetre cut off.",
        "Keep water away from the board, and cut away from your hand.",
        spoil=_air("hose_leak"),
    ),
    Cause(
        "tip_seal",
        "the tip was not tight when it was closed",
        "Close it flat on a clean piece of soft rubber and repeat. If it stays so, look at the needle's end for a burr "
        "and at its hub for dirt: fit another needle.",
        _NEEDLE,
        spoil=_tip_seal,
    ),
    Cause(
        "pump_weak",
        "pump weak: worn membrane or valves",
        "Clean its inlet, then replace the membrane or the pump, and send `airquill do pump_changed`.",
        f"{_OFF} After a long run its case is hot.",
        spoil=_air("pump_wear"),
    ),
    Cause(
        "pump_stiff",
        "pump stiff",
        "Clean and oil what its maker allows; turn it by hand where you can reach the shaft. A stiff one is replaced. "
        "Raise pump.floor_pct only for as long as that takes.",
        f"{_OFF} A stalled pump and its driver are hot.",
        spoil=_air("pump_stall"),
    ),
    Cause(
        "pump_still",
        "pump does not turn",
        "Listen to it at a pick. Look at its plug, at the fuse and at its driver's gate; give it 12 V directly. One "
        "that stays still is replaced.",
        f"{_OFF} A stalled pump and its driver are hot.",
        spoil=_still,
    ),
    Cause(
        "valve_open",
        "valve does not fall back: the tip is not vented",
        "Clean the valve or replace it. Look first whether its coil still has voltage after a release.",
        f"{_OFF} Its coil is hot after long picks.",
        spoil=_air("valve_stuck_open"),
    ),
    Cause(
        "valve_shut",
        "valve does not pull in fully, or air comes in between filter and valve",
        "Go along the line from the filter to the valve with a wet finger. Look at the valve's plug and at the supply, "
        "raise valve.hold_pct, then clean the valve or replace it.",
        f"{_OFF} Its coil is hot after long picks.",
        spoil=_air("valve_stuck_shut"),
    ),
    Cause(
        "valve_slow",
        "valve slow",
        "Clean it from dust and oil, or replace it. A diode across its coil slows it too: see docs/wiring.md.",
        _OFF,
        spoil=_air("valve_slow"),
    ),
    Cause(
        "supply_sag",
        "supply too low",
        "Measure the 12 V at the board while the pump runs. Look at plug, fuse and wires; replace the supply.",
        "Only what is 12 V is for you to open: never open a mains adapter.",
        spoil=_air("supply_sag"),
    ),
    Cause(
        "sensor_drift",
        "sensor's zero has drifted",
        "With the tip free and the pump still, send `airquill do zero`, then save. If it drifts again, replace the "
        "sensor.",
        sensor=True,
        spoil=_drift,
    ),
    Cause(
        "sensor_dead",
        "sensor dying or unplugged",
        "Look at its plug and its hose; then replace it and let the unit learn its levels anew.",
        _OFF,
        sensor=True,
        spoil=_dead,
    ),
    Cause(
        "sensor_noisy",
        "sensor noisy",
        "Look at its plug, at the ground between board and pump, and lead its wires away from the pump's.",
        _OFF,
        sensor=True,
        spoil=_noisy,
    ),
    Cause(
        PEDAL,
        "pedal worn, or its cable",
        "`airquill pedals check` and `airquill pedals record` say which pedal and how; clean or replace its switch, "
        "and look at plug and cable.",
        "A pedal is a process input, never an emergency stop.",
    ),
)
BY_NAME = {cause.name: cause for cause in CAUSES}
