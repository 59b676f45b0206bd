"""The pick cycle: with and without grip detection, two-level control, presets, learning, faults."""

import pytest

from airquill_device.cycle import (
    FOUND,
    GRIP_HELD,
    GRIP_NONE,
    GRIP_UNKNOWN,
    HOLDING,
    IDLE,
    LOST,
    MISSED,
    PICKING,
    RELEASED,
    RELEASING,
    STOPPED,
    TIP_OPEN,
    TIP_SEALED,
)
from airquill_device.pump import duty_u16
from airquill_protocol import tables as t
from device.fake_board import FakeBoard, Unit, code_of

OPEN_KPA = 3300
SEALED_KPA = 6300


def preset_slot(number, offset):
    return t.PRESETN + (number - 1) * t.PRESETN_SIZE + offset


def blind():
    return Unit(FakeBoard(capabilities=("keyboard", "blow")))


def learned():
    """A unit that knows the open and sealed vacuum of its preset, and strikes a key of its own for each grip event."""
    unit = Unit()
    unit.set(preset_slot(2, t.PRESETN_OPEN_KPA), OPEN_KPA)
    unit.set(preset_slot(2, t.PRESETN_SEALED_KPA), SEALED_KPA)
    for slot, usage in (
        (t.KEYS_ON_GRIPPED, 0x04),
        (t.KEYS_ON_RELEASED, 0x05),
        (t.KEYS_ON_MISSED, 0x06),
        (t.KEYS_ON_LOST, 0x07),
    ):
        unit.set(slot, bytes([0x11, 0, usage]))
    unit.run(30)
    return unit


def at(unit, kpa, ms):
    unit.board.code = code_of(kpa)
    unit.run(ms)


def grips(unit):
    return [what for what, *_ in unit.topics(t.T_GRIP)]


def keys(unit):
    return [report[2] for _, report in unit.board.reports if report[2]]


def states(unit):
    return [state for state, *_ in unit.topics(t.T_CYCLE)]


def pick(unit):
    unit.cycle.vacuum(True)


def release(unit):
    unit.cycle.vacuum(False)


# Without a sensor


def test_blind_pick_holds_after_its_time_and_releases():
    unit = blind()
    unit.set(t.KEYS_ON_RELEASED, b"\x11\x00\x51")
    pick(unit)
    unit.run(298)
    assert unit.cycle.state == PICKING
    unit.run(3)
    assert unit.cycle.state == HOLDING
    assert unit.cycle.grip == GRIP_UNKNOWN
    release(unit)
    assert unit.board.valve_call is None
    unit.run(148)
    assert unit.cycle.state == RELEASING
    assert grips(unit) == []
    unit.run(100)
    assert states(unit) == [PICKING, HOLDING, RELEASING, IDLE]
    assert grips(unit) == [RELEASED]
    assert keys(unit) == [0x51]
    assert (unit.cycle.picks, unit.cycle.released) == (1, 1)


def test_blind_pick_broken_off_releases_nothing():
    unit = blind()
    unit.set(t.KEYS_ON_RELEASED, b"\x11\x00\x51")
    pick(unit)
    unit.run(200)
    release(unit)
    unit.run(500)
    assert states(unit) == [PICKING, RELEASING, IDLE]
    assert grips(unit) == []
    assert keys(unit) == []


def test_a_pick_during_the_vent_still_has_the_part():
    unit = blind()
    pick(unit)
    unit.run(400)
    release(unit)
    unit.run(50)
    pick(unit)
    unit.run(400)
    assert grips(unit) == []
    release(unit)
    unit.run(400)
    assert grips(unit) == [RELEASED]


def test_puff_at_a_release():
    unit = blind()
    unit.set(t.VALVE_BLOW_MS, 12)
    pick(unit)
    unit.run(400)
    assert unit.board.blown_us == 0
    release(unit)
    assert unit.board.blown_us == 12_000


def test_repeated_asking_changes_nothing():
    unit = blind()
    release(unit)
    pick(unit)
    pick(unit)
    unit.run(10)
    assert unit.cycle.picks == 1
    assert states(unit) == [PICKING]


def test_toggle():
    unit = blind()
    unit.cycle.toggle()
    assert unit.cycle.is_on()
    unit.cycle.toggle()
    assert not unit.cycle.is_on()


def test_a_pick_of_longer_than_half_the_clock():
    unit = blind()
    unit.set(t.CONTROL_MODE, 1)
    pick(unit)
    unit.run(400)
    for _ in range(4):
        unit.board.pass_on(300_000_000)
        unit.tick()
    assert unit.cycle.state == HOLDING
    release(unit)
    unit.run(400)
    assert states(unit) == [PICKING, HOLDING, RELEASING, IDLE]


# With grip detection


def test_found_held_released():
    unit = learned()
    pick(unit)
    at(unit, OPEN_KPA, 400)
    assert (unit.cycle.state, unit.cycle.grip) == (PICKING, GRIP_NONE)
    at(unit, SEALED_KPA, 100)
    assert (unit.cycle.state, unit.cycle.grip) == (HOLDING, GRIP_HELD)
    release(unit)
    at(unit, 0, 400)
    assert grips(unit) == [FOUND, RELEASED]
    assert keys(unit) == [0x04, 0x05]
    assert unit.cycle.released == 1


def test_a_failed_pick_is_missed_and_never_released():
    unit = learned()
    pick(unit)
    at(unit, OPEN_KPA, 1490)
    assert grips(unit) == []
    at(unit, OPEN_KPA, 100)
    assert grips(unit) == [MISSED]
    at(unit, OPEN_KPA, 3000)
    release(unit)
    at(unit, 0, 500)
    assert grips(unit) == [MISSED]
    assert keys(unit) == [0x06]
    assert unit.cycle.released == 0


def test_lost_part_is_no_release():
    unit = learned()
    pick(unit)
    at(unit, SEALED_KPA, 200)
    at(unit, OPEN_KPA, 100)
    assert (unit.cycle.state, unit.cycle.grip) == (PICKING, GRIP_NONE)
    at(unit, OPEN_KPA, 3000)
    release(unit)
    at(unit, 0, 500)
    assert grips(unit) == [FOUND, LOST]
    assert keys(unit) == [0x04, 0x07]


def test_a_lost_part_may_be_found_again():
    unit = learned()
    pick(unit)
    for kpa in (SEALED_KPA, OPEN_KPA, SEALED_KPA):
        at(unit, kpa, 100)
    release(unit)
    at(unit, 0, 500)
    assert grips(unit) == [FOUND, LOST, FOUND, RELEASED]


def test_thresholds_lie_at_their_share_of_the_gap():
    unit = learned()
    pick(unit)
    found_kpa = OPEN_KPA + (SEALED_KPA - OPEN_KPA) * 50 // 100
    lost_kpa = OPEN_KPA + (SEALED_KPA - OPEN_KPA) * 30 // 100
    at(unit, found_kpa - 10, 300)
    assert grips(unit) == []
    at(unit, found_kpa + 10, 300)
    assert grips(unit) == [FOUND]
    at(unit, lost_kpa + 10, 300)
    assert grips(unit) == [FOUND]
    at(unit, lost_kpa - 10, 300)
    assert grips(unit) == [FOUND, LOST]


def test_a_short_rise_is_no_grip():
    unit = learned()
    unit.set(t.SENSOR_FILTER_MS, 0)
    unit.set(t.GRIP_QUALIFY_MS, 50)
    pick(unit)
    for _ in range(10):
        at(unit, SEALED_KPA, 40)
        at(unit, OPEN_KPA, 10)
    assert grips(unit) == []
    at(unit, SEALED_KPA, 60)
    assert grips(unit) == [FOUND]


@pytest.mark.parametrize(
    ("slot", "value"),
    [(t.GRIP_DETECT, 0), (preset_slot(2, t.PRESETN_SEALED_KPA), 0), (preset_slot(2, t.PRESETN_OPEN_KPA), 0)],
)
def test_without_its_conditions_the_pick_is_blind(slot, value):
    unit = learned()
    unit.set(slot, value)
    pick(unit)
    at(unit, OPEN_KPA, 400)
    assert (unit.cycle.state, unit.cycle.grip) == (HOLDING, GRIP_UNKNOWN)
    assert grips(unit) == []


@pytest.mark.parametrize(("gap_in_noises", "detects"), [(2.5, False), (3, True)])
def test_a_gap_under_three_times_the_noise_is_refused(gap_in_noises, detects):
    unit = learned()
    unit.sensor.steady_noise = 40
    unit.set(preset_slot(2, t.PRESETN_SEALED_KPA), OPEN_KPA + int(40 * gap_in_noises))
    pick(unit)
    at(unit, OPEN_KPA, 400)
    assert (unit.cycle.state == PICKING) is detects


# Learning


def test_learn_open_and_sealed():
    unit = Unit()
    pick(unit)
    at(unit, OPEN_KPA, 1000)
    assert unit.cycle.learn(TIP_OPEN) == 0
    at(unit, SEALED_KPA, 2000)
    assert unit.cycle.learn(TIP_SEALED) == 0
    assert unit.values[preset_slot(2, t.PRESETN_OPEN_KPA)] == pytest.approx(OPEN_KPA, abs=2)
    assert unit.values[preset_slot(2, t.PRESETN_SEALED_KPA)] == pytest.approx(SEALED_KPA, abs=2)
    assert unit.notices == []


def test_learning_too_small_a_gap_is_refused():
    unit = Unit()
    pick(unit)
    at(unit, OPEN_KPA, 2000)
    unit.sensor.noise = 20
    assert unit.cycle.learn(TIP_OPEN) == 0
    at(unit, OPEN_KPA + 55, 300)
    unit.sensor.noise = 20
    assert unit.cycle.learn(TIP_SEALED) == t.E_NOT_LEARNED
    assert unit.values[preset_slot(2, t.PRESETN_SEALED_KPA)] == 0
    assert unit.notices == [t.F_LEARN_GAP]


def test_another_needle_s_sealed_level_is_forgotten():
    unit = learned()
    pick(unit)
    at(unit, SEALED_KPA + 50, 500)
    assert unit.cycle.learn(TIP_OPEN) == 0
    assert unit.values[preset_slot(2, t.PRESETN_OPEN_KPA)] == pytest.approx(SEALED_KPA + 50, abs=2)
    assert unit.values[preset_slot(2, t.PRESETN_SEALED_KPA)] == 0


def test_learning_needs_sensor_and_vacuum():
    assert blind().cycle.learn(TIP_OPEN) == t.E_NOT_THERE
    assert learned().cycle.learn(TIP_OPEN) == t.E_NOT_LEARNED


# Strength and presets


def pump_settled(unit):
    unit.run(600)
    return unit.board.pump_duty


def test_strength_is_the_preset_s():
    unit = blind()
    pick(unit)
    assert pump_settled(unit) == duty_u16(800)
    assert unit.cycle.use_preset(4) == 0
    assert pump_settled(unit) == duty_u16(600)
    assert unit.values[t.PRESET_ACTIVE] == 4
    assert unit.topics(t.T_PRESET) == [(4, 600, 0)]


def test_presets_go_round():
    unit = blind()
    seen = []
    for by in (1, 1, 1, 1, -1, -1, -1):
        unit.cycle.step_preset(by)
        seen.append(unit.cycle.preset)
    assert seen == [3, 4, 1, 2, 1, 4, 3]


def test_a_preset_beyond_the_count_is_refused():
    unit = blind()
    assert unit.cycle.use_preset(5) == t.E_OUT_OF_RANGE
    assert unit.cycle.use_preset(0) == t.E_OUT_OF_RANGE
    assert unit.cycle.preset == 2
    unit.set(t.PRESET_COUNT, 6)
    assert unit.cycle.use_preset(6) == 0


def test_own_strength_lasts_until_the_preset_changes():
    unit = blind()
    pick(unit)
    unit.cycle.use_strength(650)
    assert pump_settled(unit) == duty_u16(650)
    unit.configure()
    assert unit.cycle.strength == 650, "another setting's change leaves it"
    unit.cycle.use_preset(2)
    assert pump_settled(unit) == duty_u16(800)
    unit.cycle.use_strength(2000)
    assert unit.cycle.strength == 1000
    unit.cycle.use_strength(-5)
    assert unit.cycle.strength == 0


def test_a_changed_setting_of_the_strength_runs_at_once():
    unit = blind()
    pick(unit)
    unit.set(preset_slot(2, t.PRESETN_STRENGTH_PCT), 500)
    assert pump_settled(unit) == duty_u16(500)


# Two-level control


def two_level():
    unit = Unit()
    unit.set(t.PUMP_KICK_MS, 0)
    unit.set(t.PUMP_RAMP_MS, 0)
    unit.set(t.SENSOR_FILTER_MS, 0)
    unit.set(t.CONTROL_MODE, 1)
    pick(unit)
    return unit


def test_two_levels_with_hysteresis():
    unit = two_level()
    at(unit, 2900, 500)
    assert unit.board.pump_duty == duty_u16(800)
    at(unit, 3010, 500)
    assert unit.board.pump_duty == duty_u16(350)
    at(unit, 2710, 500)
    assert unit.board.pump_duty == duty_u16(350)
    at(unit, 2690, 500)
    assert unit.board.pump_duty == duty_u16(800)


def test_shortest_stay_at_a_level():
    unit = two_level()
    at(unit, 4000, 150)
    assert unit.board.pump_duty == duty_u16(800)
    at(unit, 4000, 60)
    assert unit.board.pump_duty == duty_u16(350)
    at(unit, 0, 150)
    assert unit.board.pump_duty == duty_u16(350)
    at(unit, 0, 60)
    assert unit.board.pump_duty == duty_u16(800)


def test_the_level_is_free_again_after_half_the_clock():
    unit = two_level()
    at(unit, 0, 500)
    for _ in range(3):
        unit.board.pass_on(250_000_000)
        unit.tick()
    at(unit, 4000, 20)
    assert unit.board.pump_duty == duty_u16(350)


@pytest.mark.parametrize(("slot", "value"), [(t.CONTROL_MODE, 0), (preset_slot(2, t.PRESETN_TARGET_KPA), 0)])
def test_steady_where_two_levels_are_off(slot, value):
    unit = two_level()
    at(unit, 5000, 500)
    assert unit.board.pump_duty == duty_u16(350)
    unit.set(slot, value)
    at(unit, 5000, 500)
    assert unit.board.pump_duty == duty_u16(800)


# Faults


def test_a_fault_stops_everything_and_a_clear_starts_nothing():
    unit = learned()
    pick(unit)
    at(unit, SEALED_KPA, 300)
    unit.fault(t.F_STOPPED_BY_HOST)
    assert (unit.board.pump_duty, unit.board.valve_call) == (0, None)
    pick(unit)
    at(unit, 0, 1000)
    assert unit.cycle.state == STOPPED
    assert (unit.board.pump_duty, unit.board.valve_call) == (0, None)
    unit.clear()
    unit.run(500)
    assert unit.cycle.state == IDLE
    assert grips(unit) == [FOUND]
    pick(unit)
    assert unit.cycle.is_on()
