"""How fast the air is: one step, against a general solver at equal error, and many units at once.

    python tests/benchmarks/physics.py

A unit's inputs may change at any millisecond, so the fair rival is `scipy.integrate.solve_ivp` called for each tick. It
gets the method and tolerance that are quickest for it among those that err no more than the integrator does; the same
pick solved in one call, which no unit can do, is shown beside it.
"""

from __future__ import annotations

import sys
import timeit
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from time import process_time
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
for folder in ("host", "protocol", "tests"):
    sys.path.insert(0, str(ROOT / folder))

import numpy as np  # noqa: E402
from scipy.integrate import solve_ivp  # noqa: E402

from airquill.pneumatics import flow  # noqa: E402
from airquill.pneumatics.air import STANDING_LEAK, Air  # noqa: E402
from airquill.pneumatics.needles import Needle  # noqa: E402
from airquill.pneumatics.valve import Valve  # noqa: E402
from airquill.pneumatics.vector import AirMany  # noqa: E402
from benchmarks.heading import heading  # noqa: E402

AMB = 101325.0
NEEDLE = Needle(22)
TICK_S = 1e-3
TICKS = 400
START_KPA = (0.0, 0.0, 60.0)
METHODS = ("LSODA", "Radau", "BDF")  # the system is stiff: explicit methods take far longer, or diverge
TOLERANCES = (1e-2, 3e-3, 1e-3, 3e-4, 1e-4)


def settled(tip: str, air: Air | None = None) -> Air:
    """A tool with its pump at speed and its valve joined, not warm yet."""
    air = air or Air(needle=NEEDLE)
    air.pump_duty, air.valve_drive, air.tip = 0.8, 1.0, tip
    for _ in range(1000):
        air.step(1e-3)
    air.pump.heat_k = 0.0
    return air


def best(work: str | Callable[[], Any], names: dict[str, Any], number: int, repeat: int = 9) -> float:
    """Least processor time of one execution, s: other work on the machine counts little."""
    return min(timeit.repeat(work, timer=process_time, globals=names, number=number, repeat=repeat)) / number


def scalar_us(tip: str) -> float:
    """One step of one unit, us."""
    return 1e6 * best("air.step(1e-3)", {"air": settled(tip)}, 1000)


def vector_us(tip: str, n: int = 1000) -> float:
    """One step of one unit among n, us."""
    return 1e6 * best("many.step(1e-3)", {"many": AirMany([settled(tip)] * n)}, 20) / n


def laminar() -> Air:
    """An open tip behind a wide hose and a small valve: laminar all the time, which the equations take for granted."""
    return settled("open", Air(needle=NEEDLE, valve=Valve(0.1), hose_bore_mm=6.0, hose_length_mm=300.0))


class Equations:
    """The air of an open tip as differential equations on the published flow laws, absolute Pa."""

    def __init__(self) -> None:
        air = self.air = laminar()
        pump = air.pump
        self.end = AMB * (1.0 - pump.end_share * pump.speed / (pump.speed + pump.leak_share))
        self.pump_g = pump.free_flow * (pump.speed + pump.leak_share) / pump.end_share
        self.hose = flow.laminar_resistance(air.hose_bore_mm, air.hose_length_mm) + air.filter_kpa * 1.2e7
        self.valve_c = air.valve.c_dm3_s_bar * flow.C_UNIT

    def __call__(self, _t: float, p: Any) -> list[float]:
        pen, line, suck = p
        air = self.air
        tip = NEEDLE.throughput(AMB, pen) + air.leak * (AMB - pen)
        hose = 0.5 * (pen * pen - line * line) / self.hose
        join = flow.throughput(self.valve_c, air.valve.b, line, suck)
        pump = self.pump_g * max(suck - self.end, 0.0) - STANDING_LEAK * (AMB - suck)
        return [(tip - hose) / air.pen_m3, (hose - join) / air.line_m3, (join - pump) / air.pump_m3]


def _start() -> list[float]:
    return [AMB - 1e3 * kpa for kpa in START_KPA]


def ours() -> np.ndarray:
    """Vacuum of the pen over a pick, kPa."""
    air = laminar()
    air.set_vacuum(*START_KPA)
    seen = []
    for _ in range(TICKS):
        air.step(TICK_S)
        seen.append(air.pen_kpa)
    return np.array(seen)


def by_ticks(slope: Equations, method: str, rtol: float) -> np.ndarray:
    """The same by solve_ivp, called for each tick."""
    state: Any = _start()
    seen = []
    for _ in range(TICKS):
        state = solve_ivp(slope, (0.0, TICK_S), state, method, rtol=rtol, atol=1e4 * rtol).y[:, -1]
        seen.append((AMB - state[0]) * 1e-3)
    return np.array(seen)


def at_once(slope: Equations, method: str, rtol: float) -> np.ndarray:
    """The same by one call of solve_ivp."""
    t = np.arange(1, TICKS + 1) * TICK_S
    run = solve_ivp(slope, (0.0, t[-1]), _start(), method, t_eval=t, rtol=rtol, atol=1e4 * rtol)
    return np.asarray((AMB - run.y[0]) * 1e-3)


Way = Callable[[Equations, str, float], np.ndarray]


@dataclass(frozen=True)
class Solved:
    """One way to compute a pick: seconds of processor time, largest error in kPa, and how."""

    seconds: float
    error_kpa: float
    method: str = ""
    rtol: float = 0.0


def truth_of(slope: Equations) -> np.ndarray:
    """The pick by solve_ivp with narrow tolerances, kPa."""
    t = np.arange(1, TICKS + 1) * TICK_S
    solved = solve_ivp(slope, (0.0, t[-1]), _start(), "Radau", t_eval=t, rtol=1e-8, atol=1e-3)
    return np.asarray((AMB - solved.y[0]) * 1e-3)


def off(seen: np.ndarray, truth: np.ndarray) -> float:
    """Largest difference of two picks, kPa."""
    return float(np.max(np.abs(seen - truth)))


def quickest(way: Way, slope: Equations, truth: np.ndarray, most_error_kpa: float) -> Solved:
    """The quickest method and tolerance among those that err no more than `most_error_kpa`."""
    found = []
    for method in METHODS:
        for rtol in TOLERANCES:
            error_kpa = off(way(slope, method, rtol), truth)
            if error_kpa <= most_error_kpa:
                seconds = best(lambda m=method, r=rtol: way(slope, m, r), {}, 1)
                found.append(Solved(seconds, error_kpa, method, rtol))
                break
    return min(found, key=lambda one: one.seconds)


def against_solver() -> tuple[Solved, Solved, Solved]:
    """A pick by the air's own steps, by solve_ivp for each tick, and by one call of it."""
    slope = Equations()
    truth = truth_of(slope)
    own_kpa = off(ours(), truth)
    own = Solved(best("air.step(1e-3)", {"air": laminar()}, TICKS) * TICKS, own_kpa)
    return own, quickest(by_ticks, slope, truth, own_kpa), quickest(at_once, slope, truth, own_kpa)


def main() -> None:
    heading()
    for tip in ("open", "sealed"):
        one, many = scalar_us(tip), vector_us(tip)
        print(f"{tip:<7} step {one:.2f} us; of 1,000 at once {many:.3f} us a unit: {one / many:.1f} times")
    own, ticks, once = against_solver()
    print(f"a pick of {TICKS} ms: {own.seconds * 1e3:.2f} ms, at most {own.error_kpa:.3f} kPa off")
    for name, rival in (("for each tick", ticks), ("in one call", once)):
        print(
            f"solve_ivp {name}, no less exact ({rival.method}, rtol {rival.rtol:g}): {rival.seconds * 1e3:.2f} ms, "
            f"{rival.seconds / own.seconds:.1f} times"
        )


if __name__ == "__main__":
    main()
