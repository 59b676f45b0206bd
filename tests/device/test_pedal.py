"""Pedals: debouncing against published bounce figures, stuck contacts, gestures, vacuum triggers, faults."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill_protocol import tables as t
from device.fake_board import WRAP, FakeBoard, Unit

TAP, HOLD, DOUBLE = 0, 1, 2
NONE, MOMENTARY, INVERTED, LATCHING = range(4)
PEDAL2 = 1

# J. Ganssle, "A Guide to Debouncing": a survey of 18 switches bounced for 1.6 ms in the mean, 6.2 ms at the longest
# (figures second-hand). Foot switches for up to 20 ms and more: from memory, no source.
PUBLISHED_LONGEST_US = 6200
FOOT_LONGEST_US = 19_000
# Edges after the first contact, in us.
BURSTS = {
    "clean": [],
    "mean, even": [400, 800, 1200, 1600],
    "longest, even": [*range(310, 5900, 310), PUBLISHED_LONGEST_US],
    "longest, one late spike": [6100, PUBLISHED_LONGEST_US],
    "five short ones": [50, 120, 300, 700],
    "longer than the agreement time": [3600, 4000],
    "slow foot contact": [2000, 2500, 6000, 8000, 14_000, 14_200, 18_500, FOOT_LONGEST_US],
}


def counts(unit, n=0):
    """Presses and releases among the pedal events."""
    downs = [down for pedal, down, _ in unit.topics(t.T_PEDAL) if pedal == n + 1]
    return downs.count(1), downs.count(0)


def bounce(board, n, closed, edges_us, after_us=0):
    """The contact goes to `closed`, and back and to it again at each of an even number of edges."""
    assert len(edges_us) % 2 == 0
    board.move(n, closed, after_us)
    for i, edge_us in enumerate(edges_us):
        board.move(n, closed if i % 2 else not closed, after_us + edge_us)


@pytest.mark.parametrize("phase_us", range(0, 1000, 111))
@pytest.mark.parametrize("name", BURSTS)
def test_a_bounce_burst_is_one_event(name, phase_us):
    unit = Unit()
    unit.run(20)
    bounce(unit.board, 0, True, BURSTS[name], phase_us)
    unit.run(100)
    assert counts(unit) == (1, 0)
    bounce(unit.board, 0, False, BURSTS[name], phase_us)
    unit.run(100)
    assert counts(unit) == (1, 1)


@given(st.lists(st.integers(1, FOOT_LONGEST_US), max_size=40, unique=True), st.integers(0, 999))
def test_any_burst_is_one_event(edges_us, phase_us):
    edges_us = sorted(edges_us)
    if len(edges_us) % 2:
        edges_us.pop()
    unit = Unit()
    unit.run(5)
    for closed in (True, False):
        bounce(unit.board, 0, closed, edges_us, phase_us)
        unit.run(100)
    assert counts(unit) == (1, 1)


@pytest.mark.parametrize("phase_us", [0, 1, 500, 999])
def test_the_event_carries_the_first_edge_across_the_wrap(phase_us):
    unit = Unit(FakeBoard(start=WRAP - 4000))
    unit.run(3)
    bounce(unit.board, 0, True, [1500, 1600], phase_us)
    moved_at = (unit.board.now + phase_us) % WRAP
    unit.run(20)
    assert unit.topics(t.T_PEDAL) == [(1, 1, moved_at)]


def test_press_counts_at_the_end_of_its_agreement_time():
    unit = Unit()
    unit.run(10)
    unit.board.move(0, True, 400)
    unit.run(3)
    assert not unit.pedals[0].down
    unit.run(1)
    assert unit.pedals[0].down


def test_release_counts_after_its_own_time():
    unit = Unit()
    unit.press(ms=50)
    unit.set_pedal(0, t.PEDALN_RELEASE_MS, 80)
    unit.board.move(0, True)
    unit.run(50)
    unit.board.move(0, False)
    unit.run(79)
    assert unit.pedals[0].down
    unit.run(3)
    assert not unit.pedals[0].down


def test_lockout_holds_the_next_press_back():
    unit = Unit()
    unit.set_pedal(0, t.PEDALN_LOCKOUT_MS, 500)
    unit.press(ms=50)
    unit.board.move(0, True)
    unit.run(100)
    assert counts(unit) == (1, 1)
    unit.run(400)
    assert counts(unit) == (2, 1)


def test_lockout_ends_though_the_clock_wraps_before_the_next_press():
    unit = Unit()
    unit.press()
    unit.run(40)
    unit.board.pass_on(WRAP // 2 + 5)
    unit.press()
    assert counts(unit) == (2, 2)


def test_a_noisy_cable_never_counts():
    unit = Unit()
    unit.run(5)
    for i in range(4000):
        unit.board.move(0, i % 2 == 0, i * 250)
    unit.run(1000)
    assert counts(unit) == (0, 0)


def test_held_at_start_is_ignored_until_released_once():
    board = FakeBoard()
    board.closed = 1
    unit = Unit(board)
    unit.run(1000)
    assert unit.notices == [t.F_PEDAL1_STUCK]
    assert counts(unit) == (0, 0)
    assert unit.cycle.picks == 0
    board.move(0, False)
    unit.run(50)
    assert unit.notices == []
    unit.press()
    assert counts(unit) == (1, 2)
    assert unit.cycle.picks == 1


def test_stuck_is_reported_and_taken_back():
    unit = Unit()
    unit.set_pedal(1, t.PEDALN_STUCK_S, 5)
    unit.run(5)
    unit.board.move(1, True)
    unit.run(4900)
    assert unit.notices == []
    unit.run(2000)
    assert unit.notices == [t.F_PEDAL2_STUCK]
    unit.board.move(1, False)
    unit.run(50)
    assert unit.notices == []


def test_normally_closed_contact():
    board = FakeBoard()
    board.closed = 1
    unit = Unit(board)
    unit.set_pedal(0, t.PEDALN_CONTACT, 1)
    unit.run(50)
    assert unit.notices == []
    board.move(0, False)
    unit.run(50)
    assert counts(unit) == (1, 0)


def test_edges_are_told_only_when_asked_for():
    unit = Unit()
    unit.press()
    assert unit.topics(t.T_EDGE) == []
    unit.wants_edges = True
    unit.board.move(0, True, 250)
    at = unit.board.now + 250
    unit.run(10)
    assert unit.topics(t.T_EDGE) == [(1, 1, at)]


def gestures(unit, n=PEDAL2):
    return [gesture for pedal, gesture, *_ in unit.topics(t.T_GESTURE) if pedal == n + 1]


def bind(unit, *offsets):
    unit.set_pedal(PEDAL2, t.PEDALN_TAP_KEYS, b"\x11\x00\x51")
    for offset in offsets:
        unit.set_pedal(PEDAL2, offset, b"\x11\x00\x52")


def test_tap_fires_at_the_press_when_nothing_else_is_bound():
    unit = Unit()
    bind(unit)
    unit.board.move(PEDAL2, True)
    unit.run(5)
    assert gestures(unit) == [TAP]
    unit.run(2000)
    unit.board.move(PEDAL2, False)
    unit.run(100)
    assert gestures(unit) == [TAP]


def test_tap_fires_at_the_release_when_hold_is_bound():
    unit = Unit()
    bind(unit, t.PEDALN_HOLD_KEYS)
    unit.board.move(PEDAL2, True)
    unit.run(200)
    assert gestures(unit) == []
    unit.board.move(PEDAL2, False)
    unit.run(30)
    assert gestures(unit) == [TAP]


def test_hold_fires_once_and_no_tap_follows():
    unit = Unit()
    bind(unit, t.PEDALN_HOLD_KEYS)
    unit.board.move(PEDAL2, True)
    unit.run(590)
    assert gestures(unit) == []
    unit.run(20)
    assert gestures(unit) == [HOLD]
    unit.press(PEDAL2)
    assert gestures(unit)[:1] == [HOLD]
    assert gestures(unit).count(HOLD) == 1


def test_tap_waits_for_a_double_where_that_is_bound():
    unit = Unit()
    bind(unit, t.PEDALN_DOUBLE_KEYS)
    unit.press(PEDAL2, 60)
    unit.run(200)
    assert gestures(unit) == []
    unit.run(20)
    assert gestures(unit) == [TAP]


def test_two_taps_are_a_double_and_nothing_else():
    unit = Unit()
    bind(unit, t.PEDALN_DOUBLE_KEYS, t.PEDALN_HOLD_KEYS)
    unit.press(PEDAL2, 60)
    unit.press(PEDAL2, 60)
    unit.run(1000)
    assert gestures(unit) == [DOUBLE]


def test_two_taps_too_far_apart_are_two_taps():
    unit = Unit()
    bind(unit, t.PEDALN_DOUBLE_KEYS)
    unit.set_pedal(PEDAL2, t.PEDALN_DOUBLE_MS, 100)
    unit.press(PEDAL2, 50)
    unit.run(40)
    unit.press(PEDAL2, 50)
    unit.run(500)
    assert gestures(unit) == [TAP, TAP]


def test_with_all_three_bound_each_is_told_apart():
    unit = Unit()
    bind(unit, t.PEDALN_DOUBLE_KEYS, t.PEDALN_HOLD_KEYS)
    unit.press(PEDAL2, 60)
    unit.run(400)
    unit.press(PEDAL2, 400)
    unit.run(400)
    unit.press(PEDAL2, 700)
    unit.run(400)
    assert gestures(unit) == [TAP, TAP, HOLD]


@pytest.mark.parametrize(("does", "preset"), [(2, 3), (3, 1)])
def test_a_tap_steps_through_the_presets(does, preset):
    unit = Unit()
    unit.set_pedal(PEDAL2, t.PEDALN_TAP_DOES, does)
    unit.press(PEDAL2)
    assert unit.cycle.preset == preset


@pytest.mark.parametrize("offset", [t.PEDALN_HOLD_DOES, t.PEDALN_DOUBLE_DOES])
def test_hold_and_double_release_where_that_is_bound(offset):
    unit = Unit()
    unit.set_pedal(0, t.PEDALN_VACUUM, LATCHING)
    unit.press()
    unit.set_pedal(PEDAL2, offset, 1)
    assert unit.cycle.is_on()
    if offset == t.PEDALN_HOLD_DOES:
        unit.press(PEDAL2, 650)
    else:
        unit.press(PEDAL2)
        unit.press(PEDAL2)
    assert not unit.cycle.is_on()


def test_a_stroke_follows_its_gesture():
    unit = Unit()
    unit.press(PEDAL2)
    unit.run(100)
    assert unit.keyboard.sent == 1


@pytest.mark.parametrize(
    ("vacuum", "states"),
    [
        (NONE, [False, False, False, False]),
        (MOMENTARY, [True, False, True, False]),
        (INVERTED, [False, True, False, True]),
        (LATCHING, [True, True, False, False]),
    ],
)
def test_vacuum_triggers(vacuum, states):
    unit = Unit()
    unit.set_pedal(0, t.PEDALN_VACUUM, vacuum)
    seen = []
    for closed in (True, False, True, False):
        unit.board.move(0, closed)
        unit.run(100)
        seen.append(unit.cycle.is_on())
    assert seen == states


def test_a_fresh_press_clears_a_fault_and_does_not_pick():
    unit = Unit()
    unit.board.move(0, True)
    unit.run(100)
    unit.fault(t.F_DEAD_MAN)
    unit.run(100)
    assert unit.stopped, "the pedal that was down already is no fresh press"
    unit.board.move(0, False)
    unit.run(50)
    unit.press()
    assert not unit.stopped
    assert unit.cycle.picks == 1
    unit.press()
    assert unit.cycle.picks == 2


def test_an_inverted_pedal_does_not_pick_when_it_clears_a_fault():
    unit = Unit()
    unit.set_pedal(0, t.PEDALN_VACUUM, INVERTED)
    unit.fault(t.F_DEAD_MAN)
    unit.press()
    unit.run(100)
    assert not unit.stopped
    assert unit.cycle.picks == 0


def test_a_fault_ends_a_gesture_that_is_open():
    unit = Unit()
    bind(unit, t.PEDALN_DOUBLE_KEYS)
    unit.press(PEDAL2)
    unit.fault(t.F_DEAD_MAN)
    unit.run(1000)
    assert gestures(unit) == []


def test_a_pedal_held_through_a_fault_sets_nothing_off_when_it_comes_up():
    unit = Unit()
    unit.set_pedal(0, t.PEDALN_VACUUM, INVERTED)
    unit.board.move(0, True)
    unit.run(100)
    unit.fault(t.F_DEAD_MAN)
    unit.press(PEDAL2)
    assert not unit.stopped
    unit.board.move(0, False)
    unit.run(100)
    assert unit.cycle.picks == 0


def test_a_press_does_nothing_while_the_cause_remains():
    unit = Unit()
    unit.cause_remains = True
    unit.fault(t.F_SENSOR_RANGE)
    unit.press(PEDAL2)
    unit.run(100)
    assert unit.stopped
    assert unit.keyboard.sent == 0
    assert counts(unit, PEDAL2) == (1, 1)
