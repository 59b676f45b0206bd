"""The pump: kick, ramp, floor, run-on, longest run, counters."""

from itertools import pairwise

import pytest

from airquill_device.pump import duty_u16
from airquill_protocol import tables as t
from device.fake_board import Unit

FULL = 65535


@pytest.fixture
def unit():
    """A unit whose first preset asks for 70 %, with a kick of 200 ms at 100 %, a ramp of 150 ms, a floor of 30 %."""
    return Unit()


def duties(unit):
    return [(at, duty) for name, at, duty in unit.board.outputs if name == "pump"]


def run_at(unit, pct, ms):
    unit.pump.want(duty_u16(pct * 10))
    unit.run(ms)
    return unit.board.pump_duty


@pytest.mark.parametrize(("pct", "duty"), [(0, 0), (1, 65), (300, 19660), (500, 32767), (1000, FULL)])
def test_duty(pct, duty):
    assert duty_u16(pct) == duty


def test_kick_then_ramp_down_to_strength(unit):
    start = unit.board.elapsed
    assert run_at(unit, 70, 100) == FULL
    run_at(unit, 70, 500)
    points = [(at - start, duty) for at, duty in duties(unit) if at > start]
    assert points[0] == (1000, FULL)
    after_kick = [at for at, duty in points if duty < FULL]
    assert after_kick[0] == pytest.approx(201_000, abs=2000)
    assert points[-1][1] == duty_u16(700)
    # 30 % of the range takes 30 % of the ramp time.
    assert points[-1][0] - after_kick[0] == pytest.approx(0.3 * 150_000, abs=2000)
    assert all(a[1] >= b[1] for a, b in pairwise(points))


def test_without_a_kick_it_ramps_up_from_the_floor(unit):
    unit.set(t.PUMP_KICK_MS, 0)
    start = unit.board.elapsed
    run_at(unit, 100, 300)
    points = [(at - start, duty) for at, duty in duties(unit) if at > start]
    assert points[0] == (1000, duty_u16(300))
    assert points[-1][1] == FULL
    assert points[-1][0] == pytest.approx(0.7 * 150_000, abs=2000)


def test_no_ramp_is_a_step(unit):
    unit.set(t.PUMP_RAMP_MS, 0)
    unit.set(t.PUMP_KICK_MS, 0)
    assert run_at(unit, 70, 2) == duty_u16(700)
    assert run_at(unit, 90, 2) == duty_u16(900)


def test_the_kick_has_its_own_duty(unit):
    unit.set(t.PUMP_KICK_PCT, 800)
    assert run_at(unit, 70, 100) == duty_u16(800)


@pytest.mark.parametrize(("floor", "want", "gets"), [(30, 10, 30), (30, 0, 30), (55, 50, 55), (0, 10, 10), (0, 0, 0)])
def test_never_below_the_floor(unit, floor, want, gets):
    unit.set(t.PUMP_FLOOR_PCT, floor * 10)
    assert run_at(unit, want, 800) == duty_u16(gets * 10)


def test_a_live_change_of_the_floor_lifts_a_running_pump(unit):
    run_at(unit, 40, 800)
    unit.set(t.PUMP_FLOOR_PCT, 500)
    unit.run(200)
    assert unit.board.pump_duty == duty_u16(500)
    unit.set(t.PUMP_FLOOR_PCT, 300)
    unit.run(200)
    assert unit.board.pump_duty == duty_u16(400)


@pytest.mark.parametrize("idle_off_s", [1, 5, 20])
def test_runs_on_and_stops_after_the_idle_time(unit, idle_off_s):
    unit.set(t.PUMP_IDLE_OFF_S, idle_off_s)
    run_at(unit, 70, 800)
    unit.pump.idle()
    unit.run(idle_off_s * 1000)
    assert unit.board.pump_duty == duty_u16(400)
    unit.run(1001)
    assert unit.board.pump_duty == 0


@pytest.mark.parametrize("slot", [t.PUMP_IDLE_OFF_S, t.PUMP_IDLE_PCT])
def test_no_run_on_stops_at_once(unit, slot):
    unit.set(slot, 0)
    run_at(unit, 70, 800)
    unit.pump.idle()
    assert unit.board.pump_duty == 0


def test_a_pick_while_it_runs_on_needs_no_kick(unit):
    run_at(unit, 70, 800)
    unit.pump.idle()
    unit.run(500)
    again = unit.board.elapsed
    assert run_at(unit, 70, 100) == duty_u16(700)
    assert max(duty for at, duty in duties(unit) if at > again) == duty_u16(700)
    assert unit.pump.starts == 1


def test_idle_does_not_start_a_standing_pump(unit):
    unit.pump.idle()
    unit.run(100)
    assert unit.board.pump_duty == 0


def test_the_longest_run_ends_in_a_fault(unit):
    unit.set(t.PUMP_LONGEST_RUN_S, 10)
    run_at(unit, 70, 10_000)
    assert not unit.stopped
    unit.run(1001)
    assert unit.fault_number == t.F_PUMP_RAN_TOO_LONG
    assert unit.board.pump_duty == 0
    unit.clear()
    run_at(unit, 70, 5000)
    assert not unit.stopped, "the next run counts anew"


def test_counters(unit):
    for _ in range(3):
        run_at(unit, 70, 4000)
        unit.pump.off()
        unit.run(3000)
    assert unit.pump.starts == 3
    assert unit.pump.run_s == pytest.approx(12, abs=3)


def test_frequency(unit):
    assert unit.board.pump_hz == 25000
    unit.set(t.PUMP_PWM_HZ, 8000)
    assert unit.board.pump_hz == 8000


def test_safe_tells_the_board_even_when_it_stands(unit):
    unit.board.pump_duty = 123
    unit.pump.safe()
    assert unit.board.pump_duty == 0
    unit.run(100)
    assert unit.board.pump_duty == 0


def test_longest_ramp(unit):
    """The longest ramp stays in small integers and takes its time."""
    unit.set(t.PUMP_RAMP_MS, 2000)
    unit.set(t.PUMP_KICK_MS, 0)
    unit.set(t.PUMP_FLOOR_PCT, 0)
    start = unit.board.elapsed
    run_at(unit, 100, 2100)
    (end,) = [at for at, duty in duties(unit) if duty == FULL]
    assert end - start == pytest.approx(2_000_000, abs=3000)
    half = next(at for at, duty in duties(unit) if duty >= FULL // 2)
    assert half - start == pytest.approx(1_000_000, abs=3000)
