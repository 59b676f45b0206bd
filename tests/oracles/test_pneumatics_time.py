"""The integrator against closed forms, scipy 1.17 solve_ivp and ngspice 39: pump-down, decay, vent, step response.

solve_ivp gets the flow equations of the standard, not the integrator's secants. Limits hold at the loop's step of 1 ms
unless a test names another.
"""

import shutil
import subprocess
from math import asin, exp, log
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from airquill.pneumatics import flow
from airquill.pneumatics.air import STANDING_LEAK, Air
from airquill.pneumatics.needles import Needle
from airquill.pneumatics.pump import Pump
from airquill.pneumatics.valve import Valve
from conftest import require

AMB = 101325.0
NGSPICE = "needs ngspice: apt-get install ngspice"


def pump_alone(volume_ml: float, free_flow_lpm: float, end_kpa: float) -> Air:
    """A pump at full speed on a closed volume: the valve blocks its port."""
    air = Air(Pump(free_flow_lpm, min(end_kpa, 98.0)), pump_ml=volume_ml)
    air.pump.end_share = end_kpa * 1e3 / AMB * (1.0 + air.pump.leak_share)
    air.pump.speed = 1.0
    air.pump_duty = 1.0
    return air


def worst_share(ours: list[float], reference: np.ndarray, span: float) -> float:
    return float(np.max(np.abs(np.array(ours) - reference)) / span)


def linear_pump_down(volume_ml: float, free_flow_lpm: float, end_kpa: float, t: np.ndarray) -> np.ndarray:
    """Vacuum in kPa, closed form: one exponential towards the balance of pump and standing leak."""
    pump_g = free_flow_lpm / 60e3 * AMB / (end_kpa * 1e3)
    rest = pump_g * end_kpa / (pump_g + STANDING_LEAK)
    return rest * (1.0 - np.exp(-(pump_g + STANDING_LEAK) / (volume_ml * 1e-6) * t))


def test_pump_down_with_constant_speed(record_property) -> None:
    """t = (V / S) ln(p0 / p1), textbook; 20 mL at 2 L/min to 50 kPa: 0.408093 s (solve_ivp and ngspice agree)."""
    closed = 20e-6 / (2.0 / 60e3) * log(AMB / (AMB - 50e3))
    assert closed == pytest.approx(0.408093, abs=1e-6)
    air = pump_alone(20.0, 2.0, AMB * 1e-3)
    times, vacuum = [], []
    for n in range(500):
        air.step(1e-3)
        times.append((n + 1) * 1e-3)
        vacuum.append(air.pump_kpa)
    error = abs(float(np.interp(50.0, vacuum, times)) / closed - 1.0)
    record_property("error", float(error))
    assert error < 5e-3


@pytest.mark.parametrize("end_kpa", [40.0, 65.0, 85.0])
def test_pump_down_with_a_linear_curve(end_kpa: float, record_property) -> None:
    """Closed form and solve_ivp at rtol 1e-9, over the whole curve, as a share of the end vacuum."""
    air = pump_alone(20.0, 4.0, end_kpa)
    t = np.arange(1, 1501) * 1e-3
    ours = []
    for _ in t:
        air.step(1e-3)
        ours.append(air.pump_kpa)
    closed = linear_pump_down(20.0, 4.0, end_kpa, t)
    pump_g = 4.0 / 60e3 * AMB / (end_kpa * 1e3)

    def slope(_t: float, v: np.ndarray) -> np.ndarray:
        return (pump_g * (end_kpa - v) - STANDING_LEAK * v) / 20e-6

    solved = solve_ivp(slope, (0, 1.5), [0.0], t_eval=t, rtol=1e-9, atol=1e-9).y[0]
    assert np.max(np.abs(solved - closed)) / end_kpa < 1e-7
    error = worst_share(ours, closed, end_kpa)
    record_property("error", float(error))
    assert error < 5e-3


def test_curved_pump_against_solve_ivp(record_property) -> None:
    air = pump_alone(20.0, 4.0, 65.0)
    air.pump.curvature = 0.4
    t = np.arange(1, 1001) * 1e-3
    ours = []
    for _ in t:
        air.step(1e-3)
        ours.append(air.pump_kpa)
    pump_g = 4.0 / 60e3 * AMB / 65e3

    def slope(_t: float, v: np.ndarray) -> np.ndarray:
        return (pump_g * (65.0 - v) * (1 + 0.4 * v / 65.0) - STANDING_LEAK * v) / 20e-6

    solved = solve_ivp(slope, (0, 1), [0.0], t_eval=t, rtol=1e-9, atol=1e-9).y[0]
    error = worst_share(ours, solved, 65.0)
    record_property("error", float(error))
    assert error < 5e-3


def test_one_kilopascal_of_leak_is_the_trade_figure() -> None:
    """Q = V dP/dt: 20 mL losing 0.1 kPa/s is 1.2 standard mL a minute (leak-test practice)."""
    assert flow.lpm(20e-6 * 100.0) * 1e3 == pytest.approx(1.2, rel=0.02)


@pytest.mark.parametrize("leak", [1.7e-8, 1e-6, 1e-5])
def test_decay_with_a_leak(leak: float, record_property) -> None:
    """Closed form: exponential with V / g; all three volumes joined, pump standing."""
    air = Air(valve=Valve(5.0), filter_kpa=1e-3, hose_bore_mm=10.0, hose_length_mm=50.0, leak=leak)
    air.tip = "sealed"
    air.valve_drive = 1.0
    while air.valve_open < 1.0:
        air.step(1e-3)
    air.set_vacuum(60.0, 60.0, 60.0)
    volume = air.pen_m3 + air.line_m3 + air.pump_m3
    tau = volume / (leak + STANDING_LEAK)
    steps = 3000
    for _ in range(steps):
        air.step(1e-3)
    error = abs(air.pen_kpa - 60.0 * exp(-steps * 1e-3 / tau)) / 60.0
    record_property("error", float(error))
    assert error < 5e-3


def vent_time(c_dm3_s_bar: float, b: float, volume_ml: float, start_kpa: float, end_kpa: float) -> float:
    """Closed form of filling a volume from ambient through an ISO 6358 element: a straight line, then an arcsine."""
    rate = flow.throughput_scale(c_dm3_s_bar * flow.C_UNIT) / (volume_ml * 1e-6)  # 1/s
    start, end = 1.0 - start_kpa * 1e3 / AMB, 1.0 - end_kpa * 1e3 / AMB
    choked = max(b - start, 0.0) / rate
    start = max(start, b)
    return choked + (1 - b) / rate * (asin((end - b) / (1 - b)) - asin((start - b) / (1 - b)))


@pytest.mark.parametrize(("c", "trade_ms"), [(0.07, 125.0), (0.2, 44.0), (0.4, 22.0)])
@pytest.mark.parametrize(("dt_s", "limit"), [(1e-3, 5e-3)])
def test_vent_through_the_valve(c: float, trade_ms: float, dt_s: float, limit: float, record_property) -> None:
    """60 to 1 kPa of 10 mL; a vent of 20 ms is short for a 1 ms step, and still within 0.5 % of its time."""
    air = Air(
        valve=Valve(c, 0.35), hose_bore_mm=20.0, hose_length_mm=1.0, filter_kpa=1e-4, pen_ml=5.0 - 0.31416, line_ml=5.0
    )
    air.tip = "sealed"
    air.set_vacuum(60.0, 60.0, 60.0)
    times, vacuum = [0.0], [60.0]
    while air.pen_kpa > 0.5:
        air.step(dt_s)
        times.append(times[-1] + dt_s)
        vacuum.append(air.pen_kpa)
    ours = float(np.interp(-1.0, -np.array(vacuum), times))
    closed = vent_time(c, 0.35, 10.0, 60.0, 1.0)
    assert closed * 1e3 == pytest.approx(trade_ms, rel=0.1)
    error = abs(ours / closed - 1.0)
    record_property("error", float(error))
    assert error < limit


def orifice(c: float, b: float, upstream: float, downstream: float) -> float:
    """ISO 6358, but straight through zero within 0.1 % of equal pressures, where its slope has no end."""
    if downstream > upstream:
        return -orifice(c, b, downstream, upstream)
    if downstream > flow.LINEAR_RATIO * upstream:
        near = flow.throughput(c, b, upstream, flow.LINEAR_RATIO * upstream)
        return near * (1.0 - downstream / upstream) / (1.0 - flow.LINEAR_RATIO)
    return flow.throughput(c, b, upstream, downstream)


class Truth:
    """The same tool as an `Air`, as a set of differential equations on the published flow laws (absolute Pa)."""

    def __init__(self, air: Air, speed: float):
        self.air = air
        pump = air.pump
        self.end = AMB * (1.0 - pump.end_share * speed / (speed + pump.leak_share))
        self.pump_g = pump.free_flow * (speed + pump.leak_share) / pump.end_share
        self.hose_r = flow.laminar_resistance(air.hose_bore_mm, air.hose_length_mm)
        self.filter_r = air.filter_kpa * 1e3 / (5.0 / 60e3)
        self.valve_c = air.valve.c_dm3_s_bar * flow.C_UNIT

    def hose(self, squares: float) -> float:
        """Throughput of hose and filter at half the difference of squares: laminar, or solved for its friction."""
        passed = squares / (self.hose_r + self.filter_r)
        bore = self.air.hose_bore_mm
        if flow.reynolds(passed, bore) <= flow.LAMINAR_RE:
            return passed

        def gap(q: float) -> float:
            re = flow.reynolds(q, bore)
            stretch = max(flow.friction_factor(re) * re / 64.0, 1.0) if re > flow.LAMINAR_RE else 1.0
            return (self.hose_r * stretch + self.filter_r) * q - abs(squares)

        return brentq(gap, 0.0, abs(passed), xtol=1e-12, rtol=1e-10) * (1.0 if squares > 0 else -1.0)

    def slope(self, _t: float, p: np.ndarray) -> list[float]:
        air = self.air
        pen, line, suck = p
        tip = air.tip_share * air.needle.throughput(AMB, pen) + air.leak * (AMB - pen)
        hose = self.hose(0.5 * (pen * pen - line * line))
        join = orifice(self.valve_c, air.valve.b, line, suck) if air.valve_open else 0.0
        vent = 0.0 if air.valve_open else orifice(self.valve_c, air.valve.b, AMB, line)
        pump = self.pump_g * max(suck - self.end, 0.0) - STANDING_LEAK * (AMB - suck)
        return [(tip - hose) / air.pen_m3, (hose - join + vent) / air.line_m3, (join - pump) / air.pump_m3]

    def run(self, t: np.ndarray, start: list[float]) -> np.ndarray:
        """Vacuum of pen, line and pump side in kPa at times t."""
        absolute = [AMB - 1e3 * v for v in start]
        run = solve_ivp(self.slope, (0, t[-1]), absolute, "Radau", t_eval=t, rtol=1e-6, atol=0.1)
        return (AMB - run.y) * 1e-3


def settled(gauge: int, share: float, speed: float, joined: bool, air: Air | None = None) -> Air:
    """A tool with its pump at a speed and its valve at an end, no motion left in either."""
    air = air or Air(needle=Needle(gauge))
    air.tip_share = share
    air.pump_duty = air.pump.friction_duty + speed * (1 - air.pump.friction_duty)
    air.valve_drive = 1.0 if joined else 0.0
    for _ in range(3000):
        air.pump.step(air.pump_duty, 1e-3)
        air.valve.step(air.valve_drive, 1e-3)
    air.pump.heat_k = 0.0
    return air


CASES = [
    # gauge, tip share, speed, joined, start
    (22, 0.0, 1.0, True, [0.0, 0.0, 60.0]),
    (22, 1.0, 0.8, True, [0.0, 0.0, 60.0]),
    (18, 1.0, 1.0, True, [0.0, 0.0, 50.0]),
    (30, 1.0, 0.6, True, [0.0, 0.0, 55.0]),
    (25, 0.3, 0.5, True, [40.0, 45.0, 50.0]),
    (22, 0.0, 0.5, False, [60.0, 60.0, 60.0]),
    (22, 1.0, 0.5, False, [60.0, 60.0, 60.0]),
]


@pytest.mark.parametrize(("gauge", "share", "speed", "joined", "start"), CASES)
@pytest.mark.parametrize(("dt_s", "limit"), [(1e-3, 0.01)])
def test_step_response_of_the_whole_path(
    gauge: int, share: float, speed: float, joined: bool, start: list[float], dt_s: float, limit: float, record_property
) -> None:
    """Valve switched at t = 0, against Radau at rtol 1e-6: worst point of pen and pump side over 0.5 s, of 60 kPa."""
    air = settled(gauge, share, speed, joined)
    truth = Truth(air, air.pump.speed)
    air.set_vacuum(*start)
    n = round(0.5 / dt_s)
    t = np.arange(1, n + 1) * dt_s
    pen, suck = [], []
    for _ in range(n):
        air.step(dt_s)
        pen.append(air.pen_kpa)
        suck.append(air.pump_kpa)
    reference = truth.run(t, start)
    error = max(worst_share(pen, reference[0], 60.0), worst_share(suck, reference[2], 60.0))
    record_property("error", float(error))
    assert error < limit
    late = max(abs(pen[-1] - reference[0, -1]), abs(suck[-1] - reference[2, -1])) / 60.0
    record_property("at_end", float(late))
    assert late < 5e-3


def spice(folder: Path, netlist: str) -> np.ndarray:
    """Run a netlist in batch mode; it writes out.txt with columns time, value, time, value ..."""
    path = folder / "net.cir"
    path.write_text(netlist)
    subprocess.run(["ngspice", "-b", str(path)], cwd=folder, check=True, capture_output=True, timeout=60)
    return np.loadtxt(folder / "out.txt")


def test_pump_down_against_ngspice(tmp_path: Path, record_property) -> None:
    """The linear pump as a resistor, the volume as a capacitor, kPa as volts (values scaled by 1e9)."""
    require(shutil.which("ngspice"), NGSPICE)
    pump_g = 4.0 / 60e3 * AMB / 65e3
    out = spice(
        tmp_path,
        f"""pump-down
VEND end 0 65
RPUMP end suck {1 / (pump_g * 1e9)}
RLEAK suck 0 {1 / (STANDING_LEAK * 1e9)}
CVOL suck 0 {20e-6 * 1e9} IC=0
.options reltol=1e-6
.tran 1m 1 0 0.2m UIC
.control
run
wrdata out.txt v(suck)
quit
.endc
.end
""",
    )
    air = pump_alone(20.0, 4.0, 65.0)
    ours = []
    for _ in range(1000):
        air.step(1e-3)
        ours.append(air.pump_kpa)
    t = np.arange(1, 1001) * 1e-3
    error = worst_share(ours, np.interp(t, out[:, 0], out[:, 1]), 65.0)
    record_property("error", float(error))
    assert error < 5e-3


def test_step_response_against_ngspice(tmp_path: Path, record_property) -> None:
    """The whole path as a circuit: absolute kPa as volts, flow laws as behavioural current sources (scaled by 1e6)."""
    require(shutil.which("ngspice"), NGSPICE)
    # a wide hose and a small valve: laminar all the time, which the circuit takes for granted
    air = settled(22, 1.0, 1.0, True, Air(valve=Valve(0.1), hose_bore_mm=6.0, hose_length_mm=300.0))
    truth = Truth(air, air.pump.speed)
    k_tip = flow.throughput_scale(air.needle.c_inertia) * 1e6
    k_valve = flow.throughput_scale(truth.valve_c) * 1e6
    b = air.valve.b
    tip_x = "(max(v(pen)/v(amb)-0.5,0)/0.5)"
    valve_x = f"(max(v(suck)/v(line)-{b},0)/{1 - b})"
    out = spice(
        tmp_path,
        f"""step
VAMB amb 0 101.325
BIN1 inertia 0 V={k_tip}*v(amb)*sqrt(max(1-{tip_x}^2,1e-12))
BIN2 friction 0 V=(v(amb)^2-v(pen)^2)/2*1e3/{air.needle.resistance}*1e6+1e-9
BTIP amb pen I=2/(1/v(friction)+sqrt(1/v(friction)^2+4/v(inertia)^2))
RLEAK amb pen {1 / (air.leak * 1e6)}
BHOSE pen line I=(v(pen)^2-v(line)^2)/2*1e3/{truth.hose_r + truth.filter_r}*1e6
BJOIN line suck I={k_valve}*v(line)*sqrt(max(1-{valve_x}^2,1e-9))
VEND end 0 {truth.end * 1e-3}
RPUMP suck end {1 / (truth.pump_g * 1e6)}
RBACK amb suck {1 / (STANDING_LEAK * 1e6)}
CPEN pen 0 {air.pen_m3 * 1e6} IC=101.325
CLINE line 0 {air.line_m3 * 1e6} IC=101.325
CSUCK suck 0 {air.pump_m3 * 1e6} IC={101.325 - 60.0}
.options reltol=1e-5 method=gear
.tran 0.1m 0.5 0 0.05m UIC
.control
run
wrdata out.txt v(pen) v(suck)
quit
.endc
.end
""",
    )
    air.set_vacuum(0.0, 0.0, 60.0)
    pen, suck = [], []
    t = np.arange(1, 5001) * 1e-4
    for _ in t:
        air.step(1e-4)
        pen.append(air.pen_kpa)
        suck.append(air.pump_kpa)
    error = max(
        worst_share(pen, 101.325 - np.interp(t, out[:, 0], out[:, 1]), 60.0),
        worst_share(suck, 101.325 - np.interp(t, out[:, 2], out[:, 3]), 60.0),
    )
    record_property("error", float(error))
    assert error < 0.01
