"""Speed of the air; run by itself it prints the numbers of docs/physics.md. Limits leave room for busy machines."""

import timeit

import numpy as np
from scipy.integrate import solve_ivp

from airquill.pneumatics import flow
from airquill.pneumatics.air import Air
from airquill.pneumatics.needles import Needle
from airquill.pneumatics.vector import AirMany

AMB = 101325.0
NEEDLE = Needle(22)


def picking(tip: str) -> Air:
    """A tool in the middle of a pick: pump at speed, valve joined."""
    air = Air(needle=NEEDLE)
    air.pump_duty, air.valve_drive, air.tip = 0.8, 1.0, tip
    for _ in range(400):
        air.step(1e-3)
    return air


def best(work: str, names: dict, number: int, repeat: int = 15) -> float:
    """Least time of one execution, s."""
    return min(timeit.repeat(work, globals=names, number=number, repeat=repeat)) / number


def scalar_us(tip: str) -> float:
    return 1e6 * best("air.step(1e-3)", {"air": picking(tip)}, 1000)


def vector_us(tip: str, n: int = 1000) -> float:
    """One step of one unit among n, us."""
    return 1e6 * best("many.step(1e-3)", {"many": AirMany([picking(tip)] * n)}, 20) / n


def slope(_t: float, p: np.ndarray, air: Air = picking("open")) -> list[float]:  # noqa: B008
    pen, line, suck = p
    share, leak = air.pump.end_share, air.pump.leak_share
    speed = air.pump.speed
    end = AMB * (1.0 - share * speed / (speed + leak))
    tip = NEEDLE.throughput(AMB, pen) + air.leak * (AMB - pen)
    resistance = flow.laminar_resistance(air.hose_bore_mm, air.hose_length_mm) + air.filter_kpa * 1.2e7
    hose = 0.5 * (pen * pen - line * line) / resistance
    join = flow.throughput(air.valve.c_dm3_s_bar * flow.C_UNIT, air.valve.b, line, suck)
    pump = air.pump.free_flow * (speed + leak) / share * max(suck - end, 0.0)
    return [(tip - hose) / air.pen_m3, (hose - join) / air.line_m3, (join - pump) / air.pump_m3]


def solver_us(rtol: float = 1e-3) -> float:
    """A 1 ms tick by solve_ivp (LSODA), as a unit whose inputs may change every tick needs it, us."""
    start = [AMB - 30e3, AMB - 31e3, AMB - 32e3]
    names = {"solve_ivp": solve_ivp, "slope": slope, "start": start, "rtol": rtol}
    return 1e6 * best('solve_ivp(slope, (0, 1e-3), start, "LSODA", rtol=rtol, atol=10.0)', names, 20)


def test_many_units_at_once_are_quicker() -> None:
    """About 20 times on a quiet machine."""
    assert scalar_us("open") > 8.0 * vector_us("open")


def test_quicker_than_a_general_solver_tick_by_tick() -> None:
    """About 60 times on a quiet machine."""
    assert solver_us() > 20.0 * scalar_us("open")


if __name__ == "__main__":
    for state in ("open", "sealed"):
        one, many = scalar_us(state), vector_us(state)
        print(f"{state}: scalar {one:.2f} us, vectorised {many:.3f} us a unit, {one / many:.1f} times")
    tick = solver_us()
    print(f"solve_ivp, 1 ms tick: {tick:.0f} us, {tick / scalar_us('open'):.0f} times the scalar step")
