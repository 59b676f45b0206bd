"""The air path: bounds over the whole parameter range, balances, trade figures, valve and pump timing."""

from math import exp, isfinite, log

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from airquill.pneumatics import flow
from airquill.pneumatics.air import FAULTS, STANDING_LEAK, Air
from airquill.pneumatics.ambient import ambient_pa
from airquill.pneumatics.needles import SIZES_MM, Needle
from airquill.pneumatics.pump import MOST_SPEED, RATED_VOLTS, Pump
from airquill.pneumatics.valve import Valve

NEEDLES = {gauge: Needle(gauge) for gauge in SIZES_MM}


def run(air: Air, seconds: float, dt_s: float = 1e-3) -> Air:
    for _ in range(round(seconds / dt_s)):
        air.step(dt_s)
    return air


def picking(gauge: int = 22, duty: float = 1.0, tip: str | float = "open", **kwargs: float) -> Air:
    air = Air(needle=NEEDLES[gauge], **kwargs)
    air.pump_duty, air.valve_drive, air.tip = duty, 1.0, tip
    return air


share = st.floats(0.0, 1.0)
# nothing, or a strength: most runs have a few faults, not nine
strength = st.one_of(st.just(0.0), share)


def of(low: float, high: float) -> st.SearchStrategy[float]:
    """A number of a range that spans decades: as likely small as large."""
    return st.floats(log(low), log(high)).map(lambda power: min(max(exp(power), low), high))


@st.composite
def needles(draw: st.DrawFn) -> Needle:
    """A listed gauge, or any bore and length that a needle may have."""
    if draw(st.booleans()):
        return NEEDLES[draw(st.sampled_from(sorted(NEEDLES)))]
    return Needle(0, bore_mm=draw(of(0.03, 3.0)), length_mm=draw(of(1.0, 100.0)))


@st.composite
def airs(draw: st.DrawFn) -> Air:
    """Any tool, with any faults, from -2000 m to 11000 m: all that pump, valve, needle and ambient accept.

    The constructor takes any size above zero: drawn from what no tool undercuts to what none exceeds, a hundred times
    either way.
    """
    air = Air(
        Pump(draw(of(0.1, 30.0)), draw(st.floats(5.0, 98.0)), draw(st.floats(-0.9, 1.0))),
        Valve(draw(of(0.005, 5.0)), draw(st.floats(0.0, 0.6))),
        draw(needles()),
        hose_bore_mm=draw(of(0.1, 50.0)),
        hose_length_mm=draw(of(1.0, 100e3)),
        filter_kpa=draw(of(1e-3, 100.0)),
        pen_ml=draw(of(0.01, 5000.0)),
        line_ml=draw(of(0.01, 5000.0)),
        pump_ml=draw(of(0.01, 5000.0)),
        leak=draw(st.one_of(st.just(0.0), of(1e-12, 1e-3))),
        ambient_pa=ambient_pa(draw(st.floats(-2000.0, 11000.0))),
        temp_c=draw(st.floats(-20.0, 60.0)),
    )
    air.supply_volts = draw(st.floats(0.0, 30.0))
    for name in FAULTS:
        air.set_fault(name, draw(strength))
    return air


inputs = st.lists(
    st.tuples(share, st.sampled_from([0.0, 0.2, 0.5, 1.0]), share, st.integers(1, 60)), min_size=1, max_size=6
)


@settings(max_examples=150)
@given(air=airs(), history=inputs, dt_s=st.one_of(st.floats(1e-5, 5e-3), st.floats(5e-3, 10.0)))
def test_no_pressure_leaves_its_bounds(air: Air, history: list, dt_s: float) -> None:
    """Between ambient and the pump's lowest end pressure, at every step length: the discrete maximum principle."""
    speed = MOST_SPEED if air.supply_volts > RATED_VOLTS else 1.0
    deepest = air.pump.end_share * speed / (speed + air.pump.leak_share) * air.ambient_pa * 1e-3
    assert deepest < air.ambient_pa * 1e-3
    for duty, drive, tip, steps in history:
        air.pump_duty, air.valve_drive, air.tip_share = duty, drive, tip
        for _ in range(steps):
            air.step(dt_s)
            for vacuum in (air.pen_kpa, air.line_kpa, air.pump_kpa):
                assert isfinite(vacuum)
                assert -1e-6 <= vacuum <= deepest + 1e-6  # a thousandth of a pascal is round-off
            assert 0.0 <= air.valve_open <= 1.0
            assert 0.0 <= air.pump.speed <= speed


@settings(max_examples=50)
@given(air=airs(), blow=st.floats(0.1, 50.0), history=inputs, dt_s=st.floats(1e-4, 5e-3))
def test_a_puff_stays_below_its_source(air: Air, blow: float, history: list, dt_s: float) -> None:
    air.blow_kpa = blow
    for n, (duty, drive, tip, steps) in enumerate(history):
        air.pump_duty, air.valve_drive, air.tip_share, air.blow_open = duty, drive, tip, (n + 1) % 2
        for _ in range(steps):
            air.step(dt_s)
            assert -blow - 1e-6 <= min(air.pen_kpa, air.line_kpa, air.pump_kpa)
            assert max(air.pen_kpa, air.line_kpa, air.pump_kpa) < air.ambient_pa * 1e-3


def test_a_puff_into_a_weak_pump_with_a_bulged_curve_stays_below_its_source() -> None:
    """Above ambient the curve is the straight line: its bend, carried on, would pump the wrong way."""
    air = Air(Pump(5.0, 5.0, 1.0))
    air.set_fault("valve_stuck_open", 1.0)
    air.pump_duty, air.tip_share, air.blow_open, air.blow_kpa = 1.0, 0.0, 1, 30.0
    for _ in range(60):
        air.step(4e-3)
        assert -30.0 <= air.pump_kpa < 5.0


@settings(max_examples=60)
@given(air=airs(), duty=st.floats(0.5, 1.0), tip=share)
def test_what_stays_is_what_came_in_less_what_went_out(air: Air, duty: float, tip: float) -> None:
    """Continuity in every single step: V dp over dt of the three volumes is needle, leaks and pump together."""
    air.set_fault("valve_stuck_shut", 0.0)
    air.pump_duty, air.valve_drive, air.tip_share = duty, 1.0, tip
    run(air, 2.0)
    assume(air.valve_open == 1.0)
    before = [air.pen_kpa, air.line_kpa, air.pump_kpa]
    air.step(1e-3)
    rises = [old - new for old, new in zip(before, [air.pen_kpa, air.line_kpa, air.pump_kpa], strict=True)]
    # a step that was taken in fine ones tells only the last of them
    assume(max(map(abs, rises)) < 0.4)
    stored = air.pen_m3 * rises[0] + air.line_m3 * rises[1] + air.pump_m3 * rises[2]
    back = STANDING_LEAK * air.pump_kpa * 1e3
    gained = air.tip_flow + air.leak_flow + back - air.pump_flow
    assert stored * 1e3 / 1e-3 == pytest.approx(gained, rel=1e-6, abs=1e-7)


@settings(max_examples=30)
@given(air=airs(), steps=st.integers(1, 300))
def test_a_coarser_step_tells_the_same_story(air: Air, steps: int) -> None:
    """Four times the step changes the answer by a few kPa in the steepest moment, never the course."""
    results = []
    for dt_s in (2.5e-4, 1e-3):
        twin = Air(
            Pump(air.pump.free_flow_lpm, air.pump.end_kpa, air.pump.curvature),
            Valve(air.valve.c_dm3_s_bar, air.valve.b),
            air.needle,
            ambient_pa=air.ambient_pa,
        )
        twin.pump_duty, twin.valve_drive, twin.tip_share = 1.0, 1.0, 0.5
        run(twin, steps * 1e-3, dt_s)
        results.append(twin.pen_kpa)
    assert results[0] == pytest.approx(results[1], abs=3.0)


@pytest.mark.parametrize(("gauge", "kpa"), [(18, 17), (20, 33), (22, 48), (25, 58), (27, 61), (30, 63)])
def test_open_tip_vacuum_by_needle(gauge: int, kpa: float, record_property) -> None:
    """A linear 5 L/min, 65 kPa pump: figures computed for the trade with a plain orifice, within their 30 %."""
    air = run(picking(gauge), 3.0)
    record_property("error", float(air.pump_kpa / kpa - 1.0))
    assert air.pump_kpa == pytest.approx(kpa, rel=0.3)


def test_sealed_tip_reaches_the_rated_end_vacuum() -> None:
    assert run(picking(tip="sealed"), 6.0).pen_kpa == pytest.approx(65.0, abs=0.1)


def test_altitude_leaves_the_share_of_ambient() -> None:
    """A pump reaches the same fraction of ambient at every altitude (pump makers' data sheets)."""
    high = ambient_pa(2000.0)
    assert run(picking(tip="sealed", ambient_pa=high), 6.0).pen_kpa == pytest.approx(65.0 * high / 101325.0, abs=0.1)


def test_a_weaker_setting_widens_the_gap_of_a_fine_needle() -> None:
    """Open and sealed of 25G at full and at half strength."""

    def gap(duty: float) -> float:
        return run(picking(25, duty, "sealed"), 6.0).pen_kpa - run(picking(25, duty), 6.0).pen_kpa

    assert gap(0.5) > 1.2 * gap(1.0)


def test_gap_shrinks_with_the_needle() -> None:
    gaps = [65.0 - run(picking(gauge), 3.0).pen_kpa for gauge in (18, 20, 22, 25, 27, 30)]
    assert gaps == sorted(gaps, reverse=True)
    assert gaps[0] > 40.0
    assert gaps[-1] < 3.0


def drive_until(air: Air, opened: float) -> int:
    for ms in range(200):
        if air.valve_open == opened:
            return ms
        air.step(1e-3)
    raise AssertionError("the valve never got there")


def test_valve_peak_and_hold() -> None:
    """Pulls in within 10 ms of full drive, holds at 15 %, needs more than 29 % to pull in, drops below 10 %."""
    air = Air()
    air.valve_drive = 0.28
    run(air, 0.5)
    assert air.valve_open == 0.0
    air = Air()
    air.valve_drive = 1.0
    assert 3 <= drive_until(air, 1.0) <= 10
    air.valve_drive = 0.15
    run(air, 0.5)
    assert air.valve_open == 1.0
    air.valve_drive = 0.09
    assert 5 <= drive_until(air, 0.0) <= 60


def test_a_valve_dropped_from_a_low_hold_is_quicker() -> None:
    def drop(hold: float) -> int:
        air = Air()
        air.valve_drive = 1.0
        run(air, 0.2)
        air.valve_drive = hold
        run(air, 0.2)
        air.valve_drive = 0.0
        return drive_until(air, 0.0)

    assert drop(0.3) < drop(1.0)


def test_pump_needs_its_start_duty_and_keeps_to_its_floor() -> None:
    air = Air()
    air.pump_duty = 0.4
    assert run(air, 0.5).pump.speed == 0.0
    air.pump_duty = 1.0
    run(air, 0.2)
    air.pump_duty = 0.4
    assert run(air, 0.5).pump.speed == pytest.approx(1 / 3, abs=0.01)
    air.pump_duty = 0.25
    assert run(air, 2.0).pump.speed < 0.02


def test_pump_warms_and_loses_flow() -> None:
    air = picking(20)
    cold = run(air, 3.0).pump_lpm
    for _ in range(3600):
        air.step(1.0)
    assert 20.0 < air.pump.heat_k < 36.0
    assert 0.9 * cold < run(air, 1.0).pump_lpm < 0.99 * cold


def test_blow_lifts_the_tip_above_ambient() -> None:
    air = Air()
    air.blow_open = 1
    run(air, 0.05)
    assert air.pen_kpa < -1.0
    assert flow.lpm(air.tip_flow) < 0.0


def test_bad_values_are_refused() -> None:
    with pytest.raises(ValueError, match="no fault"):
        Air().set_fault("tip_clogg", 0.5)
    with pytest.raises(ValueError, match="0 to 1"):
        Air().set_fault("tip_clog", 1.5)
    with pytest.raises(ValueError, match="above zero"):
        Air(pen_ml=0.0)
    with pytest.raises(ValueError, match="gauge"):
        Needle(13)
    with pytest.raises(ValueError, match="L/min"):
        Pump(free_flow_lpm=0.0)
    with pytest.raises(ValueError, match="valve"):
        Valve(c_dm3_s_bar=0.0)
    with pytest.raises(ValueError, match="tip"):
        Air().tip = 1.5
    air = Air()
    air.tip = "sealed"
    assert (air.tip, air.tip_share) == ("sealed", 0.0)
