import pytest

from airquill.errors import AirquillError
from airquill.keys import SeenChord, chords_seen, encode, events, still_down, typed
from keys.unit_keyboard import play


def reports(*rows):
    return [(time_us, bytes.fromhex(row)) for time_us, row in rows]


UP = "0000000000000000"


def test_one_key():
    capture = reports((0, "0000510000000000"), (30_000, UP))
    assert [(e.time_us, e.name, e.down) for e in events(capture)] == [
        (0, "Down Arrow", True),
        (30_000, "Down Arrow", False),
    ]
    assert chords_seen(capture) == [SeenChord(0, (0x51,), 0, 30_000)]
    assert typed(capture) == "Down Arrow"
    assert still_down(capture) == []


def test_modifiers_come_first_and_go_last_within_one_report():
    capture = reports((0, "0200040000000000"), (9, UP))
    assert [(e.name, e.down) for e in events(capture)] == [
        ("Left Shift", True),
        ("A", True),
        ("A", False),
        ("Left Shift", False),
    ]
    assert typed(capture) == '"A"'


def test_a_rollover_report_changes_nothing():
    # USB HID 1.11, appendix C: all six at ErrorRollOver while too many keys are down.
    capture = reports((0, "0000040000000000"), (5, "0000010101010101"), (9, "0000040000000000"), (12, UP))
    assert [(e.time_us, e.down) for e in events(capture)] == [(0, True), (12, False)]


def test_a_key_that_moves_in_the_array_stays_down():
    capture = reports((0, "0000040500000000"), (5, "0000050000000000"), (9, UP))
    assert [(e.name, e.down) for e in events(capture)] == [("A", True), ("B", True), ("A", False), ("B", False)]


def test_a_modifier_alone_is_a_chord_and_beside_a_key_it_is_none():
    alone = reports((0, "0800000000000000"), (30, UP))
    assert chords_seen(alone) == [SeenChord(0x08, (), 0, 30)]
    with_key = reports((0, "0800000000000000"), (1, "0800150000000000"), (30, "0800000000000000"), (31, UP))
    assert chords_seen(with_key) == [SeenChord(0x08, (0x15,), 1, 30)]


def test_what_is_still_down_is_named():
    capture = reports((0, "0100000000000000"), (1, "0100060000000000"))
    assert still_down(capture) == ["Left Control", "C"]
    assert chords_seen(capture) == [SeenChord(0x01, (0x06,), 1, None)]


def test_a_report_of_the_wrong_length_is_refused():
    with pytest.raises(AirquillError, match="8 bytes"):
        events([(0, b"\0\0\x04")])


@pytest.mark.parametrize(
    "stroke",
    ["Down Arrow", "Left Control + C, Left Control + V", "Tab times 3, Enter", "A + B", "Left GUI", "F13, Page Up"],
)
def test_a_stroke_through_the_device_reads_back_as_written(stroke):
    capture = play(encode(stroke))
    assert typed(capture) == stroke
    assert still_down(capture) == []


def test_hold_and_gap_are_kept_to_the_tick():
    chords = chords_seen(play(encode("hold 40 ms, Tab, gap 100 ms, Enter")))
    assert [chord.up_us - chord.down_us for chord in chords] == [40_000, 40_000]
    assert chords[1].down_us - chords[0].up_us == 100_000


def test_both_kinds_of_quotes_read_back():
    text = """'say "x"', "it's" """
    program = encode(text)
    assert encode(typed(play(program))) == program
