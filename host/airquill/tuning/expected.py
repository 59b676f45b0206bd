"""What the air model says a measurement should have shown, for many sets of parameters at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from airquill.pneumatics.air import STANDING_LEAK, Air
from airquill.pneumatics.measured import air_of
from airquill.pneumatics.pump import MOST_SPEED, RATED_VOLTS
from airquill.pneumatics.vector import AirMany
from airquill.twin.measurement import KINDS, PULL_DOWN, VENT, Level, Measurement
from airquill.twin.parameters import split

Floats = npt.NDArray[np.float64]
Sets = Sequence[dict[str, float]]

# Time steps of a recording in ms and until when: short while volumes equalise.
_STEPS = ((0.2, 10.0), (0.5, 100.0), (1.0, 200.0), (2.0, 400.0), (8.0, 1200.0), (80.0, 4400.0))
_SETTLE_STEPS_S = (0.05,) * 6 + (0.5,) * 14
_FROM_SHARE = 0.7
"""Of a guess, where settling begins: from above, a sealed tip would stay, behind the pump's check valves."""


def _grid() -> Floats:
    times = [0.0]
    at = 0.0
    for step, end in _STEPS:
        n = round((end - at) / step)
        times += [at + step * (k + 1) for k in range(n)]
        at = end
    return np.array(times) / 1000.0


TIMES_S = _grid()
_STEPS_S = np.diff(TIMES_S)


def ready(
    values: dict[str, float], needle: int, sealed: bool, duty: float, heat_k: float, measured: Measurement
) -> Air:
    """An air path with its valve joined and its pump at the speed of a duty (0 to 1)."""
    figures, shares = split(values)
    air = air_of({**figures, "ambient_kpa": measured.ambient_kpa}, shares, needle)
    air.supply_volts = measured.supply_v
    air.tip_share = 0.0 if sealed else 1.0
    air.pump_duty, air.valve_drive = duty, 1.0
    pump, valve = air.pump, air.valve
    pump.floor_duty = pump.start_duty = 0.0  # only what ran was measured
    pump.speed = _speed_of(air, duty)
    pump.heat_k = heat_k
    valve.coil = valve.travel = valve.position = 1.0
    valve.energised = True
    return air


def _speed_of(air: Air, duty: float) -> float:
    friction = air.pump.friction_duty
    drive = duty * air.supply_now / RATED_VOLTS
    return min(max((drive - friction) / (1.0 - friction), 0.0), MOST_SPEED)


def settle(airs: Sequence[Air], guess_kpa: Sequence[float]) -> AirMany:
    """These air paths once steady; `guess_kpa` is about where, or above."""
    for air, kpa in zip(airs, guess_kpa, strict=True):
        air.set_vacuum(*(_FROM_SHARE * kpa,) * 3)
    many = AirMany(airs)
    for step_s in _SETTLE_STEPS_S:
        many.step(step_s)
    return many


def levels(sets: Sets, wanted: Sequence[Level], measured: Measurement) -> Floats:
    """Readings of the levels, kPa, one row a set, one column a level."""
    airs = [ready(one, at.needle, at.sealed, at.duty, at.heat_k, measured) for one in sets for at in wanted]
    many = settle(airs, [at.kpa for _ in sets for at in wanted])
    zero = np.array([one["zero_kpa"] for one in sets])[:, None]
    return np.asarray(many.pen_kpa.reshape(len(sets), len(wanted)) + zero)


def traces(sets: Sets, full_kpa: float, heat_k: float, measured: Measurement) -> dict[str, Floats]:
    """Readings at TIMES_S of the kinds of recordings, one row a set. `full_kpa`: about the sealed level."""
    needle = measured.needles[0]
    sealed = settle([ready(one, needle, True, 1.0, heat_k, measured) for one in sets], [full_kpa] * len(sets))
    steady = (sealed.pen_kpa, sealed.line_kpa, sealed.pump_kpa)
    airs = []
    for row, one in enumerate(sets):
        for kind in KINDS:
            air = ready(one, needle, True, 1.0, heat_k, measured)
            if kind == PULL_DOWN:
                air.set_vacuum(0.0, 0.0, _own_end_kpa(air))
                # energised, and at the beginning of its way
                air.valve.travel = air.valve.position = 0.0
            else:
                air.set_vacuum(*(float(kpa[row]) for kpa in steady))
                air.pump_duty = 0.0
                air.pump.floor_duty = air.pump.start_duty = 0.01  # so that it stops
            if kind == VENT:
                air.valve_drive = air.valve.coil = 0.0
                air.valve.energised = False
            airs.append(air)
    rows = _follow(airs, np.repeat([one["lag_ms"] / 1000.0 for one in sets], len(KINDS)))
    rows += np.repeat([one["zero_kpa"] for one in sets], len(KINDS))[:, None]
    return {kind: rows[n :: len(KINDS)] for n, kind in enumerate(KINDS)}


def _follow(airs: Sequence[Air], lag_s: Floats) -> Floats:
    """Vacuum of the pens behind the sensor's lag, at TIMES_S.

    The integrator is of first order, so steps of half the length err half as much: twice theirs less the whole ones'
    is of second order (Richardson's extrapolation).
    """
    whole = _run(airs, lag_s, _STEPS_S)
    halves = _run(airs, lag_s, np.repeat(0.5 * _STEPS_S, 2))[:, ::2]
    return 2.0 * halves - whole


def _run(airs: Sequence[Air], lag_s: Floats, steps_s: Floats) -> Floats:
    many = AirMany(airs, finely=False)
    pen = seen = many.pen_kpa
    rows = np.empty((many.n, len(steps_s) + 1))
    rows[:, 0] = seen
    for column, step_s in enumerate(steps_s):
        many.step(float(step_s))
        before, pen = pen, many.pen_kpa
        # the lag's answer to a straight line, exact
        behind = (pen - before) * (lag_s / step_s)
        seen = pen - behind + (seen - before + behind) * np.exp(-step_s / lag_s)
        rows[:, column + 1] = seen
    return rows


def _own_end_kpa(air: Air) -> float:
    """Vacuum of the pump's closed side at its speed."""
    pump = air.pump
    turned = pump.speed + pump.leak_share
    end = air.ambient_pa * pump.end_share * pump.speed / turned
    g = pump.free_flow * turned / pump.end_share
    return float(end * g / (g + STANDING_LEAK) / 1000.0)


def at_times(row: Floats, at_s: Floats, delay_s: float) -> Floats:
    """A row of `traces` at these times after the command, when it took effect `delay_s` later."""
    return np.asarray(np.interp(at_s - delay_s, TIMES_S, row))
