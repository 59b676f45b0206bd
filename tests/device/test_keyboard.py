"""Strokes: the order of reports, unread reports, mounts and faults, and what a program may hold."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill_device import stroke
from airquill_protocol import tables as t
from device.fake_board import Unit

NOTHING = bytes(8)
DOWN_ARROW = b"\x11\x00\x51"
SHIFT_CTRL_S = b"\x11\x03\x16"


@pytest.fixture
def unit():
    """A unit that has greeted its computer with all keys up."""
    unit = Unit()
    unit.run(30)
    assert [report for _, report in unit.board.reports] == [NOTHING]
    unit.board.reports.clear()
    unit.events.clear()
    return unit


def sent(unit):
    return [report.hex() for _, report in unit.board.reports]


def test_a_key_goes_down_and_up_in_its_time(unit):
    unit.keyboard.strike(DOWN_ARROW)
    unit.run(100)
    (down_us, down), (up_us, up) = unit.board.reports
    assert down == bytes([0, 0, 0x51, 0, 0, 0, 0, 0])
    assert up == NOTHING
    assert up_us - down_us == 30_000
    assert unit.keyboard.sent == 1
    assert not unit.keyboard.is_busy()


def test_each_report_is_told(unit):
    unit.keyboard.strike(DOWN_ARROW)
    unit.run(100)
    assert [report for report, *_ in unit.topics(t.T_KEY)] == [report for _, report in unit.board.reports]


def test_modifiers_first_and_last(unit):
    unit.set(t.KEYS_ALLOW_SYSTEM, 1)
    unit.run(10)
    unit.board.reports.clear()
    unit.keyboard.strike(SHIFT_CTRL_S)
    unit.run(100)
    assert sent(unit) == ["0300000000000000", "0300160000000000", "0300000000000000", "0000000000000000"]


def test_a_chord_of_modifiers_alone(unit):
    unit.keyboard.strike(b"\x10\x02")
    unit.run(100)
    assert sent(unit) == ["0200000000000000", "0000000000000000"]
    assert unit.board.reports[1][0] - unit.board.reports[0][0] == 30_000


def test_six_keys_at_once(unit):
    unit.keyboard.strike(b"\x16\x00\x04\x05\x06\x07\x08\x09")
    unit.run(100)
    assert sent(unit) == ["0000040506070809", "0000000000000000"]


def test_hold_and_gap_of_settings_and_of_the_stroke(unit):
    unit.set(t.KEYS_HOLD_MS, 40)
    unit.set(t.KEYS_GAP_MS, 60)
    unit.run(10)
    unit.board.reports.clear()
    hold_100 = b"\x01\x64\x00"
    gap_200 = b"\x02\xc8\x00"
    unit.keyboard.strike(DOWN_ARROW + DOWN_ARROW + hold_100 + gap_200 + DOWN_ARROW + DOWN_ARROW)
    unit.run(1000)
    at = [us // 1000 for us, _ in unit.board.reports]
    assert [b - a for a, b in pairwise(at)] == [40, 60, 40, 60, 100, 200, 100]


def test_strokes_queue_in_order_and_a_fifth_behind_the_one_that_plays_is_dropped(unit):
    assert [unit.keyboard.strike(bytes([0x11, 0, 4 + i])) for i in range(6)] == [True] * 5 + [False]
    unit.run(500)
    assert [report[2] for _, report in unit.board.reports if report != NOTHING] == [4, 5, 6, 7, 8]
    assert (unit.keyboard.sent, unit.keyboard.dropped) == (5, 1)


def test_an_unread_report_is_never_overwritten(unit):
    unit.board.host_reads = False
    unit.keyboard.strike(DOWN_ARROW)
    unit.run(500)
    assert sent(unit) == []
    unit.board.host_reads = True
    unit.run(100)
    assert sent(unit) == ["0000510000000000", "0000000000000000"]
    assert unit.notices == []


def test_a_blocked_stroke_is_dropped_and_the_keys_go_up_later(unit):
    unit.keyboard.strike(DOWN_ARROW)
    unit.run(2)
    unit.board.host_reads = False
    unit.keyboard.strike(DOWN_ARROW)
    unit.run(1100)
    assert unit.notices == [t.F_KEYS_BLOCKED]
    assert unit.keyboard.dropped == 2
    assert not unit.keyboard.is_busy()
    unit.board.host_reads = True
    unit.run(20)
    assert sent(unit) == ["0000510000000000", "0000000000000000"]
    assert unit.notices == []


def test_a_report_that_nobody_wanted_blocks_nothing(unit):
    """The computer does not read for longer than half the clock; the next stroke still gets its whole second."""
    unit.board.host_reads = False
    unit.keyboard.configure()
    unit.run(50)
    unit.board.pass_on(600_000_000)
    unit.run(50)
    unit.keyboard.strike(DOWN_ARROW)
    unit.run(900)
    assert unit.notices == []
    unit.board.host_reads = True
    unit.run(100)
    assert sent(unit) == ["0000000000000000", "0000510000000000", "0000000000000000"]


@pytest.mark.parametrize("host", [0, 1])
def test_strokes_are_dropped_and_counted_without_a_host(unit, host):
    unit.board.host = host
    assert unit.keyboard.strike(DOWN_ARROW) is False
    unit.run(100)
    assert sent(unit) == []
    assert unit.keyboard.dropped == 1


def test_all_keys_up_when_the_host_comes_back(unit):
    unit.keyboard.strike(DOWN_ARROW)
    unit.run(5)
    unit.board.host = 1
    unit.run(100)
    assert unit.keyboard.dropped == 1
    unit.board.host = 2
    unit.board.mounts += 1
    unit.run(20)
    assert sent(unit) == ["0000510000000000", "0000000000000000"]


def test_a_remount_alone_ends_the_stroke(unit):
    unit.keyboard.strike(DOWN_ARROW)
    unit.run(5)
    unit.board.mounts += 1
    unit.run(100)
    assert sent(unit) == ["0000510000000000", "0000000000000000"]
    assert (unit.keyboard.sent, unit.keyboard.dropped) == (0, 1)


def test_a_stroke_right_after_a_mount_is_not_lost(unit):
    unit.board.mounts += 1
    assert unit.keyboard.strike(DOWN_ARROW)
    unit.run(100)
    assert sent(unit) == ["0000000000000000", "0000510000000000", "0000000000000000"]


def test_all_keys_up_on_a_fault(unit):
    unit.keyboard.strike(DOWN_ARROW)
    unit.run(5)
    unit.fault(t.F_STOPPED_BY_HOST)
    unit.run(100)
    assert sent(unit) == ["0000510000000000", "0000000000000000"]
    assert unit.keyboard.dropped == 1


def test_all_keys_up_after_a_settings_change(unit):
    unit.set(t.KEYS_HOLD_MS, 31)
    unit.run(2)
    assert sent(unit) == ["0000000000000000"]


def test_system_keys_and_long_text_need_their_setting(unit):
    long_text = b"\x11\x00\x04" * 9
    for program, slot in ((b"\x11\x01\x04", t.KEYS_ALLOW_SYSTEM), (long_text, t.KEYS_ALLOW_TEXT)):
        unit.set(slot, 0)
        assert unit.keyboard.strike(program) is False
        unit.set(slot, 1)
        assert unit.keyboard.strike(program) is True
        unit.run(1000)
    assert unit.keyboard.dropped == 2


def test_nothing_bound_is_no_drop(unit):
    assert unit.keyboard.strike(b"") is False
    assert unit.keyboard.dropped == 0


# Programs


@pytest.mark.parametrize(
    ("program", "error"),
    [
        ("", 0),
        ("110051", 0),
        ("1002", 0),
        ("010a00110004", 0),
        ("01d00702d007110004", 0),
        ("16000405060708091100" + "73", 0),
        ("1000", t.E_STROKE_FORM),
        ("11", t.E_STROKE_FORM),
        ("1100", t.E_STROKE_FORM),
        ("120004", t.E_STROKE_FORM),
        ("170004050607080900", t.E_STROKE_FORM),
        ("0f0004", t.E_STROKE_FORM),
        ("ff", t.E_STROKE_FORM),
        ("010900110004", t.E_STROKE_FORM),
        ("01d107110004", t.E_STROKE_FORM),
        ("0264", t.E_STROKE_FORM),
        ("016400", t.E_STROKE_FORM),
        ("110003", t.E_STROKE_FORM),
        ("110074", t.E_STROKE_FORM),
        ("12000404", t.E_STROKE_FORM),
        ("1300040506110004", 0),
        ("13000405041100" + "05", t.E_STROKE_FORM),
        ("010a00", t.E_STROKE_FORM),
        ("110004" * 24, 0),
        ("110004" * 25, t.E_TOO_LONG),
    ],
)
def test_form_of_programs(program, error):
    assert stroke.check(bytes.fromhex(program)) == error


# Modifier bits of the boot keyboard report: HID 1.11, appendix B, left Ctrl to right GUI; the shifts are bits 1 and 5.
@pytest.mark.parametrize("bit", range(8))
def test_which_modifiers_are_system_keys(bit):
    assert stroke.has_system(bytes([0x11, 1 << bit, 0x04])) is (bit not in (1, 5))


chords = st.builds(
    lambda modifiers, keys: bytes([0x10 + len(keys), modifiers, *keys]),
    st.integers(1, 255),
    st.lists(st.integers(0x04, 0x73), max_size=6, unique=True),
)
waits = st.builds(
    lambda code, ms: bytes([code, *ms.to_bytes(2, "little")]), st.sampled_from([1, 2]), st.integers(10, 2000)
)


@given(st.lists(st.one_of(chords, waits), max_size=9))
def test_programs_made_by_the_rules_pass(steps):
    chords = [step for step in steps if step[0] >= 0x10]
    longest = max(len(chords), sum(len(chord) - 2 for chord in chords))
    program = b"".join(steps)
    if len(program) <= t.STROKE_BYTES and (chords or not steps):
        assert stroke.check(program) == 0
        assert stroke.allowed(program, True, True) == 0
        assert stroke.allowed(program, True, False) == (t.E_STROKE_REFUSED if longest > 8 else 0)


@given(st.binary(max_size=80))
def test_any_bytes_are_judged(program):
    assert stroke.check(program) in (0, t.E_STROKE_FORM, t.E_TOO_LONG)
