"""The valve: peak and hold, vent time, puff."""

import pytest

from airquill_protocol import tables as t
from device.fake_board import Unit


@pytest.fixture
def unit():
    return Unit()


def test_peak_and_hold_are_the_board_s_to_time(unit):
    unit.set(t.VALVE_PEAK_MS, 80)
    unit.set(t.VALVE_HOLD_PCT, 450)
    unit.valve.on()
    assert unit.board.valve_call == (65535, 80_000, 450 * 65535 // 1000)
    assert unit.valve.is_on
    unit.valve.off()
    assert unit.board.valve_call is None
    assert not unit.valve.is_on


def test_frequency_is_set_only_when_it_changes(unit):
    assert unit.board.valve_hz == 25000
    unit.board.valve_hz = 0
    unit.configure()
    assert unit.board.valve_hz == 0
    unit.set(t.VALVE_PWM_HZ, 12000)
    assert unit.board.valve_hz == 12000


@pytest.mark.parametrize("vent_ms", [10, 150, 2000])
def test_vent_time_over_the_wrap(unit, vent_ms):
    unit.set(t.VALVE_VENT_MS, vent_ms)
    unit.valve.on()
    unit.valve.off()
    unit.run(vent_ms - 1)
    assert not unit.valve.vented(unit.board.now)
    unit.run(1)
    assert unit.valve.vented(unit.board.now)


def test_a_stamp_later_than_the_pass_is_not_vented(unit):
    pass_began = unit.board.now
    unit.board.pass_on(300)
    unit.valve.off()
    assert not unit.valve.vented(pass_began)


def test_a_puff_only_where_it_is_set(unit):
    unit.valve.blow()
    assert unit.board.blown_us == 0
    unit.set(t.VALVE_BLOW_MS, 15)
    unit.valve.blow()
    assert unit.board.blown_us == 15_000


def test_safe(unit):
    unit.valve.on()
    unit.valve.safe()
    assert unit.board.valve_call is None
    assert not unit.valve.is_on
