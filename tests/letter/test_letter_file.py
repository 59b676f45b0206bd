"""The file: what is written is read again; what is damaged, made to mislead or no letter is said in a sentence."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from airquill.errors import AirquillError
from airquill.letter.model import (
    MOST_BYTES,
    Letter,
    LetterCheckup,
    LogPart,
    StrokePart,
    UnitPart,
    _sum_of,
    letter_text,
    read_letter,
    write_letter,
)

TRACE = {"at_s": [0.0, 0.1], "kpa": [0.0, 5.0], "states": [[0.0, "picking"]], "marks": [], "levels": []}
LETTER = Letter(
    made="2026-11-25T02:00:00Z",
    unit=UnitPart(
        chip="51a1ab1e00000007",
        serial="HEATHER-07",
        wiring="virtual",
        firmware="0.1.0",
        build="7be8b01f",
        registry=1,
        registry_hash="78d7cf27",
        boots=3,
        cause="power",
        capabilities=["sensor", "keyboard"],
        addons=[],
    ),
    settings={"pump.idle_pct": "40", "unit.serial": "HEATHER-07"},
    strokes={"pedal1.hold_keys": StrokePart(bytes=28, chords=7, keys=7, system=False)},
    left_out=["unit.name"],
    readings={"life.pump_h": "1.5"},
    log=[LogPart(number=1, at_s=0, what=1000, detail=0)],
    checkup=LetterCheckup(
        day="2026-11-25",
        chip="51a1ab1e00000007",
        needle_gauge=22,
        altitude_m=520.0,
        figures={"sealed_kpa": 61.2, "vent_ms": None},
        traces={"sealed tip": TRACE},
    ),
    answers={"listen": "slow", "volts": "11.9"},
    host={"python": "3.11.7"},
)


def altered(**changes: Any) -> str:
    """A letter whose check sum is right and whose content is not."""
    data = json.loads(letter_text(LETTER))
    for path, value in changes.items():
        *way, last = path.split("__")
        place = data
        for name in way:
            place = place[name]
        place[last] = value
    data["sum"] = _sum_of(data)
    return json.dumps(data)


def refused(path: Path, text: str | bytes) -> str:
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    with pytest.raises(AirquillError) as caught:
        read_letter(path)
    assert caught.value.exit_code == 2
    assert caught.value.sentence.isprintable()
    assert len(caught.value.sentence) < 400
    return caught.value.sentence


def test_what_was_written_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / "a.letter"
    write_letter(path, LETTER)
    assert read_letter(path) == LETTER
    with pytest.raises(AirquillError, match="is there already"):
        write_letter(path, LETTER)


def test_another_layout_of_the_same_content_is_the_same_letter(tmp_path: Path) -> None:
    """As a mail program may leave it: other line ends, other spaces."""
    path = tmp_path / "a.letter"
    path.write_text(json.dumps(json.loads(letter_text(LETTER)), indent=4).replace("\n", "\r\n"))
    assert read_letter(path) == LETTER


def test_every_single_flipped_bit_is_seen(tmp_path: Path) -> None:
    whole = letter_text(LETTER).encode()
    path = tmp_path / "a.letter"
    same = 0
    for place in range(len(whole)):
        for bit in (0, 3, 5):
            damaged = bytearray(whole)
            damaged[place] ^= 1 << bit
            path.write_bytes(damaged)
            try:
                same += read_letter(path) == LETTER
            except AirquillError as error:
                assert error.exit_code == 2
            else:
                assert read_letter(path) == LETTER  # a space that became another blank
    assert same < len(whole) / 10


def test_cut_off_anywhere(tmp_path: Path) -> None:
    whole = letter_text(LETTER)
    for end in range(0, len(whole) - 2, 7):
        refused(tmp_path / "a.letter", whole[:end])


BAD: dict[str, tuple[str | bytes, str]] = {
    "empty": ("", "no letter, or a damaged one: it is no sound JSON"),
    "text": ("Dear maker", "no sound JSON"),
    "bytes": (b"\xff\xfe\x00", "no sound JSON"),
    "a list": ("[1]", "is no letter"),
    "something else": ('{"verdict": "accepted"}', "is no letter"),
    "version as text": ('{"letter": "1"}', "is no letter"),
    "another version": (altered(letter=2), "letter of version 2"),
    "no sum": ('{"letter": 1}', "check sum is wrong"),
    "nested deep": ('{"letter": 1, "a": ' + "[" * 100_000 + "]" * 100_000 + "}", "no sound JSON"),
    "nested": ('{"letter": 1, "a": ' + "[" * 100 + "]" * 100 + "}", "is no letter"),
    "NaN": ('{"letter": 1, "x": NaN}', "NaN where a number belongs"),
    "Infinity": ('{"letter": 1, "x": -Infinity}', "-Infinity where a number belongs"),
    "endless number": ('{"letter": 1, "x": ' + "9" * 5000 + "}", "too many digits"),
    "twice": ('{"letter": 1, "letter": 1}', "says something twice"),
    "a strange part": (altered(run="rm -rf /"), "run: Extra inputs"),
    "absurd figure": (altered(checkup__figures={"sealed_kpa": 1e30}), "larger than any unit gives"),
    "overflowing figure": (altered(checkup__figures={"sealed_kpa": 1}).replace(": 1}", ": 1e999}"), "check sum"),
    "absurd needle": (altered(checkup__needle_gauge=7000), "no 7000 gauge needle"),
    "absurd place": (altered(checkup__altitude_m=1e6), "no unit works there"),
    "trace with text": (altered(checkup__traces={"a": {**TRACE, "kpa": ["<b>", 1]}}), "no sound samples"),
    "trace that goes back": (altered(checkup__traces={"a": {**TRACE, "at_s": [2.0, 1.0]}}), "cannot be"),
    "trace of other parts": (altered(checkup__traces={"a": {"at_s": []}}), "other parts"),
    "uneven trace": (altered(checkup__traces={"a": {**TRACE, "kpa": [1.0]}}), "no sound samples"),
    "long trace": (
        altered(checkup__traces={"a": {**TRACE, "kpa": [0] * 30_000, "at_s": [0] * 30_000}}),
        "sound samples",
    ),
    "odd marks": (altered(checkup__traces={"a": {**TRACE, "marks": [[0, {"a": 1}]]}}), "marks that cannot be"),
    "many settings": (altered(settings={f"a{n}": "1" for n in range(600)}), "settings"),
    "long value": (altered(settings={"pump.idle_pct": "4" * 400}), "settings.pump.idle_pct"),
    "path with markup": (altered(settings={"<script>": "1"}), "settings"),
    "serial with markup": (altered(unit__serial="<b>HEATHER</b>"), "unit.serial"),
    "negative boots": (altered(unit__boots=-1), "unit.boots"),
    "boots as text": (altered(unit__boots="many"), "unit.boots"),
    "answer to no question": (altered(answers={"shell": "rm"}), "no question is called shell"),
    "no answer": (altered(answers={"listen": "loud"}), "answer listen with usual, slow, still"),
    "absurd answer": (altered(answers={"volts": "1e9"}), "a number from 0 to 30 V"),
    "test of another version": (altered(checkup__format=99), "test of another version"),
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_no_letter_is_said(name: str, tmp_path: Path) -> None:
    text, wanted = BAD[name]
    assert wanted in refused(tmp_path / "a.letter", text)


def test_a_huge_file_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "huge"
    with path.open("wb") as file:
        file.truncate(MOST_BYTES * 2000)  # 4 GB that take no room
    with pytest.raises(AirquillError, match="larger than a letter can be"):
        read_letter(path)


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(AirquillError, match="There is no file"):
        read_letter(tmp_path / "none")
    with pytest.raises(AirquillError, match="cannot be read"):
        read_letter(tmp_path)


def test_control_characters_are_taken_out(tmp_path: Path) -> None:
    path = tmp_path / "a.letter"
    hostile = "a\x1b[2J\x1b]0;title\x07b\u202ec\u200bd\x9b31m\ne"
    path.write_text(altered(settings={"pump.idle_pct": hostile}, readings={"life.pump_h": hostile}))
    letter = read_letter(path)
    for text in (letter.settings["pump.idle_pct"], letter.readings["life.pump_h"]):
        assert text == "a[2J]0;titlebcd31m e"


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=20) | st.integers(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
places = st.sampled_from(
    [
        *("letter", "made", "unit", "settings", "strokes", "left_out", "readings", "log", "checkup", "host"),
        *("unit__chip", "unit__capabilities", "checkup__figures", "checkup__traces", "checkup__notes", "checkup__day"),
    ]
)


@given(places, json_values)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_stands_in_a_place_is_taken_or_refused(tmp_path: Path, place: str, value: Any) -> None:
    path = tmp_path / "a.letter"
    path.write_text(altered(**{place: value}))
    try:
        letter = read_letter(path)
    except AirquillError as error:
        assert error.exit_code == 2
        assert error.sentence.isprintable()
    else:
        assert "\x1b" not in letter_text(letter)
