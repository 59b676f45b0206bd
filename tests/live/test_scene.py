"""What is to be seen of a unit at work, and the picture of it in terminals of many sizes."""

from __future__ import annotations

import re
from typing import Any

import pytest

from airquill.cli.watch_view import COLOURS, MARKS, picture
from airquill.live.picks import Pick
from airquill.live.scene import WINDOW_S, Scene
from airquill.live.trend import Notice
from airquill.report.blocks import blocks, columns_of, rows_of

SIZES = [(80, 23), (120, 40), (200, 60), (60, 20), (48, 22), (40, 12), (30, 9), (24, 6), (12, 5)]


def scene(sensor: bool = True, **fields: Any) -> Scene:
    return Scene("Heather bench", sensor, {2: "20G"}, 2, 80.0, **fields)


def working(sensor: bool = True) -> Scene:
    """A part held for some seconds."""
    seen = scene(sensor)
    seen.take({"at_s": 0.0, "cycle.picks": 11, "cycle.released": 9, "preset.strength_pct": 80.0})
    seen.take({"at_s": 0.0, "event": "pedal", "pedal": 1, "down": False})
    seen.take({"at_s": 1.0, "event": "pedal", "pedal": 1, "down": True})
    seen.take({"at_s": 1.0, "event": "cycle", "state": "picking"})
    for n in range(100):
        kpa = {"vacuum.kpa": 62.4 * (1 - 0.8**n)} if sensor else {"vacuum.kpa": None}
        seen.take({"at_s": 1 + n / 10, **kpa, "pump.duty_pct": 80.0, "valve.duty_pct": 50.0, "supply.volts": 11.9})
    seen.take({"at_s": 11.0, "event": "cycle", "state": "holding"})
    seen.take({"at_s": 11.0, "event": "grip", "what": "found"})
    return seen


def text_of(seen: Scene, width: int, height: int) -> str:
    return "\n".join(line.plain for line in picture(seen, width, height))


def read_back(rows: list[str], scale: int) -> str:
    """Characters out of large ones: each is found by its own picture, from the left."""
    found = ""
    while any(row.strip() for row in rows):
        shift = min(len(row) - len(row.lstrip()) for row in rows if row.strip())
        rows = [row[shift // scale * scale :] for row in rows]
        for one in "0123456789-DEHIKLNOPSTVC.":
            glyph = blocks(one, scale)
            width = len(glyph[0])
            part = [row[: width + scale].ljust(width + scale) for row in rows]
            if part == [line.ljust(width + scale) for line in glyph]:
                found += one
                rows = [row[width + scale :] for row in rows]
                break
        else:
            raise AssertionError("no character looks like this:\n" + "\n".join(rows))
    return found


@pytest.mark.parametrize("scale", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("text", ["62.4", "108.8", "1234567890", "HOLD", "STOP", "VENT"])
def test_large_characters_can_be_told_from_each_other(text: str, scale: int) -> None:
    rows = blocks(text, scale)
    assert (len(rows), {len(row) for row in rows}) == (rows_of(scale), {columns_of(text, scale)})
    assert read_back(rows, scale) == text


def test_the_number_on_the_screen_is_the_vacuum() -> None:
    rows = text_of(working(), 80, 23).split("\n")
    large = [row[:42] for row in rows[2 : 2 + rows_of(3)]]
    assert read_back(large, 3) == "62.4"


@pytest.mark.parametrize("sensor", [True, False])
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_it_fits_any_terminal(width: int, height: int, sensor: bool) -> None:
    seen = working(sensor)
    lines = picture(seen, width, height)
    assert len(lines) <= height
    rows = [line.plain for line in lines]
    large = [row for row in rows if re.search("[█▀▄]", row)]
    assert height < 6 or large, rows
    if width >= 30 and height >= 9:
        assert any("PART HELD" in row for row in rows)
        assert rows[-1] == "Ctrl-C leaves"
    if width >= 80:
        assert max(len(row) for row in rows) <= width
        for wanted in ("preset 2 20G, 80 %", "pump 80 %, valve on", "pedals 1 down", "released 9", "supply 11.9 V"):
            assert any(wanted in row for row in rows), wanted


def test_80_by_24_has_a_plot_under_large_digits() -> None:
    rows = text_of(working(), 80, 23).split("\n")
    assert rows[-4].count("p") > 60  # the row of states under the plot
    assert rows_of(3) == 8


def test_without_a_sensor_state_duty_and_counts_are_large() -> None:
    rows = text_of(working(sensor=False), 80, 23).split("\n")
    assert read_back([row[:60] for row in rows[2 : 2 + rows_of(2)]], 2) == "HOLD"
    start = next(n for n, row in enumerate(rows) if row.startswith("pump %"))
    assert rows[start].split() == ["pump", "%", "picks", "released"]
    counts = rows[start + 1 : start + 1 + rows_of(2)]
    assert read_back([row.replace(" " * 4, "    ") for row in counts], 2) == "80129"


MOODS = [
    ({"state": "holding", "grip": "held"}, "PART HELD", "good"),
    ({"state": "holding"}, "HOLDING", "good"),
    ({"state": "picking"}, "PICKING", "look"),
    ({"state": "picking", "missed": True}, "NO PART", "look"),
    ({"state": "stopped"}, "STOPPED", "bad"),
    ({"state": "idle"}, "IDLE", ""),
    ({"state": "releasing"}, "LETTING GO", ""),
]


@pytest.mark.parametrize("sensor", [True, False])
@pytest.mark.parametrize(("fields", "word", "mood"), MOODS)
def test_no_colour_stands_alone(fields: dict[str, Any], word: str, mood: str, sensor: bool) -> None:
    """Each state has a word and a mark of its own beside its colour."""
    seen = scene(sensor, kpa=12.3, **fields)
    lines = picture(seen, 80, 23)
    badge = next(line for line in lines if word in line.plain)
    assert f"{MARKS[mood]} {word}" in badge.plain
    styles = {str(span.style) for line in lines for span in line.spans} | {str(line.style) for line in lines}
    assert any(COLOURS[mood] in style for style in styles)
    assert len(set(MARKS.values())) == len(set(COLOURS.values())) == len(MARKS)


def test_counts_follow_the_events() -> None:
    seen = scene()
    for n, (state, what) in enumerate([("picking", "missed"), ("picking", "found"), ("holding", "lost")]):
        seen.take({"at_s": n, "event": "cycle", "state": state})
        seen.take({"at_s": n, "event": "grip", "what": what})
    seen.take({"at_s": 4.0, "event": "cycle", "state": "idle"})
    seen.take({"at_s": 4.0, "event": "grip", "what": "released"})
    assert (seen.picks, seen.misses, seen.losses, seen.released) == (2, 1, 1, 1)
    seen.take({"at_s": 5.0, "cycle.picks": 40, "cycle.released": 30})
    assert (seen.picks, seen.released) == (40, 30)


def test_only_the_last_seconds_are_kept() -> None:
    seen = scene()
    for n in range(2000):
        seen.take({"at_s": n / 10, "vacuum.kpa": 1.0})
        seen.take({"at_s": n / 10, "event": "cycle", "state": "picking" if n % 2 else "idle"})
    assert seen.trace.at_s[0] >= 199.9 - WINDOW_S
    assert len(seen.trace.states) < 25 * WINDOW_S
    assert seen.window().at_s[-1] == pytest.approx(0.0)


def test_a_fault_and_notices_are_said() -> None:
    seen = working()
    seen.take({"at_s": 12.0, "event": "fault", "number": 5, "word": "supply_low", "on": True})
    seen.notices = [Notice("let_go", "accepted", 2, 80.0, 90.0, 65.0, 12, "Letting go takes a third longer.")]
    shown = text_of(seen, 80, 23)
    assert "■ The supply fell below 10 V. Check supply and fuse, then clear." in shown
    assert "▲ Letting go takes a third longer." in shown
    seen.take({"at_s": 13.0, "event": "fault", "number": 5, "word": "supply_low", "on": False})
    assert "supply fell" not in text_of(seen, 80, 23)


def test_the_last_pick_and_what_is_still_to_come() -> None:
    seen = working()
    seen.last_pick = Pick(1, 0.0, 1.0, 2, 80.0, False, "released", 61.9)
    seen.waiting = 5
    shown = text_of(seen, 80, 23)
    assert "last 61.9 kPa" in shown
    assert "5 more picks until changes can be told" in shown


def test_names_cannot_command_the_terminal() -> None:
    seen = scene()
    seen.name = "\x1b[31mred\x07\u202ebench"
    shown = text_of(seen, 80, 23)
    assert "\x1b" not in shown
    assert "\u202e" not in shown
    assert "[31mredbench" in shown  # what is left is text
