"""A letter tells nothing of its sender: not what pedals type, no name, no place on the computer."""

from __future__ import annotations

import getpass
import json
import platform
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.keys import LAYOUT_NAMES, encode, layout
from airquill.letter.collect import _SILENT, collect, tell_checkup, tell_settings, tell_stroke
from airquill.letter.contents import NOT_IN_IT, contents
from airquill.letter.model import letter_text
from airquill.link.catalogue import SETTINGS as ENTRIES
from airquill.link.client import Client
from airquill.report.trace import Trace
from airquill.tuning.baseline import Baseline
from airquill.tuning.checkup import Checkup

from .conftest import HOST, SECRETS, SETTINGS, checkup_of


def hidden_forms(program: bytes) -> list[str]:
    """A stroke as somebody might find it: hex of either case, spaced, base64, as a list of numbers."""
    import base64

    return [
        program.hex(),
        program.hex().upper(),
        program.hex(" "),
        base64.b64encode(program).decode(),
        json.dumps(list(program)),
    ]


def test_nothing_secret_is_in_the_bytes_of_a_letter(unit: Client) -> None:
    text = letter_text(collect(unit, checkup_of(unit), HOST))
    for secret in (*SECRETS, getpass.getuser(), platform.node(), str(Path.home()), str(Path.cwd())):
        assert secret.casefold() not in text.casefold(), secret
    for value in SETTINGS.values():
        if isinstance(value, bytes) and value != SETTINGS["pedal2.tap_keys"]:
            for form in hidden_forms(value):
                assert form not in text
    assert "@" not in text
    assert not re.search(r"/(?:home|Users|root|tmp|dev)/", text)


def test_what_the_maker_needs_is_in_it(unit: Client) -> None:
    letter = collect(unit, None, HOST)
    assert (letter.unit.serial, letter.unit.chip) == ("HEATHER-07", unit.greeting.chip)
    assert letter.settings["unit.serial"] == "HEATHER-07"
    assert letter.settings["pump.idle_pct"] == "40"
    assert letter.settings["pedal2.tap_keys"] == "110051"  # Down Arrow types nothing
    assert set(letter.strokes) == {"pedal1.hold_keys", "pedal2.hold_keys", "keys.on_gripped"}
    assert (letter.strokes["pedal1.hold_keys"].keys, letter.strokes["pedal2.hold_keys"].system) == (8, True)
    assert {"unit.name", "preset1.name", "preset2.name"} <= set(letter.left_out)
    told = {*letter.settings, *letter.strokes, *letter.left_out}
    silent = {path for path, value in unit.all_settings().items() if value == ""}
    assert told | silent == {entry.path for entry in unit.settings()}
    assert "life.pump_h" in letter.readings


def test_the_sender_is_told_what_is_in_it(unit: Client) -> None:
    letter = collect(unit, None, HOST)
    said = "\n".join(contents(letter))
    for wanted in ("HEATHER-07", unit.greeting.chip, "Of 3 strokes", "No test", "python 3.11.7"):
        assert wanted in said
    for word in ("what your pedals type", "names", "computer", "folders", "address"):
        assert word in NOT_IN_IT


def test_what_was_typed_during_the_test_is_not_in_it(unit: Client) -> None:
    trace = Trace(
        [0.0], [1.0], [], [(0.1, "key H"), (0.2, "pedal 1 down"), (0.3, "key hunter2"), (0.4, "part found")], []
    )
    checkup = Checkup(
        day="2026-11-25",
        chip="51",
        needle_gauge=22,
        altitude_m=0.0,
        figures={},
        traces={"sealed tip": trace.as_json()},
        notes=["No hand was there.", "/dev/ttyACM0 did not answer.", "C:\\Users\\ada went away.", "ask ada@heather"],
    )
    told = tell_checkup(checkup)
    assert told.traces["sealed tip"]["marks"] == [[0.2, "pedal 1 down"], [0.4, "part found"]]
    assert told.notes == ["No hand was there."]


def test_a_line_that_is_no_baseline_is_left_out() -> None:
    line = Baseline("2026-11-25", 22, {"sealed_kpa": 61.2}).text()
    for text, is_told in ((line, True), ("call me at 555 0199", False), (line + " Ada", False)):
        told, _, left_out = tell_settings(ENTRIES, {"unit.baseline": text})
        assert ("unit.baseline" in told) == is_told
        assert ("unit.baseline" in left_out) != is_told


TYPING = [
    ('"a"', True),
    ("A", True),
    ("7", True),
    ("Left Control + C", True),
    ("Tab times 3, Enter", False),
    ("F13", False),
    ("Left Shift + F24", False),
    ("Page Down", False),
    ("Left Alt + Tab", False),
]


@pytest.mark.parametrize(("stroke", "hidden"), TYPING)
def test_which_strokes_are_told(stroke: str, hidden: bool) -> None:
    assert (tell_stroke(encode(stroke, "us")) is not None) == hidden


@pytest.mark.parametrize("name", LAYOUT_NAMES)
def test_no_key_that_is_told_types_a_character_anywhere(name: str) -> None:
    """Against xkb-data's layouts: of the keys that are told, only the space bar gives a character."""
    host = layout(name)
    for usage in _SILENT - {0x2C}:
        assert not any(host.character(modifiers, usage) for modifiers in (0, 0x02, 0x40, 0x42)), hex(usage)


def test_a_damaged_stroke_is_not_told() -> None:
    part = tell_stroke(b"\xff\x00secret")
    assert part is not None
    assert (part.bytes, part.keys) == (8, 0)


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=12))
def test_no_stroke_that_types_a_character_is_told(text: str) -> None:
    quoted = "'" if '"' in text else '"'
    if quoted in text:
        return
    program = encode(f"{quoted}{text}{quoted}", "us")
    part = tell_stroke(program)
    if text.strip():
        assert part is not None
        assert part.keys == len(text)


def test_unknown_texts_of_addons_are_left_out() -> None:
    entry: Any = ENTRIES[0]._replace(path="x.lamp.label", type="text")
    told, strokes, left_out = tell_settings([entry], {"x.lamp.label": "Ada's lamp"})
    assert (told, strokes, left_out) == ({}, {}, ["x.lamp.label"])
