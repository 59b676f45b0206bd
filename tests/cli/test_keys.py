"""`airquill keys` as somebody with a German keyboard meets it."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from airquill.keys import typed
from airquill.simulator.control import Control
from airquill.simulator.units import control
from command_line import ROOT, airquill


@pytest.fixture
def hands(sim: str) -> Control:
    return control(sim)


def test_text_is_typed_for_the_named_layout_and_nothing_is_said_of_others(hands: Control) -> None:
    bound = airquill("keys", "bind", "second", "tap", '"zu 3 Stück"', "--layout", "de", AIRQUILL_STATE="")
    assert bound.code == 2 and "keys.allow_text" in bound.sentences(2), "ten chords"
    bound = airquill("keys", "bind", "second", "tap", '"Stück"', "--layout", "de")
    assert 'types "Stück". Saved.' in bound.done()
    assert bound.err == ""
    hands.press(2, ms=80)
    hands.sleep(1.0)
    assert typed(hands.reports(), "de") == '"Stück"'


def test_what_another_gesture_costs_the_tap_is_said(hands: Control) -> None:
    airquill("set", "pedal2.double_ms=250").done()
    assert "now waits 250 ms" in airquill("keys", "bind", "second", "double", "Up Arrow").done()
    assert "waits" not in airquill("keys", "bind", "second", "double", "none").done()
    assert "comes up" in airquill("keys", "bind", "second", "hold", "F9").done()
    assert "waits" not in airquill("keys", "bind", "second", "tap", "Tab").done()


def test_who_names_no_layout_hears_what_the_keys_are_elsewhere(hands: Control) -> None:
    bound = airquill("keys", "bind", "second", "tap", '"zero"')
    assert 'de, ch it types "yero"' in bound.err
    assert "Name yours with --layout" in bound.err


@pytest.mark.parametrize(
    ("stroke", "words"),
    [
        ("Dwn Arow", "Did you mean Down Arrow?"),
        ('"20 ☃"', "cannot type '☃'"),
        ("A+B+C+D+E+F+G", "at most 6 keys"),
        ("", "none unbinds"),
        ('""', "no text between the quotes"),
        ("Tab times 30", "90 bytes and the unit holds 72"),
        ("hold 5 ms, Tab", "from 10 to 2000"),
        ("Tab,", "nothing beside a comma"),
        ('"@"', "airquill set --keep keys.allow_system=on"),
        ("Left Alt + A times 9", "airquill set --keep keys.allow_system=on keys.allow_text=on"),
    ],
)
def test_what_is_refused_says_why_and_changes_nothing(hands: Control, stroke: str, words: str) -> None:
    before = airquill("keys", "list", "--json").json
    assert words in airquill("keys", "bind", "second", "tap", stroke, "--layout", "de").sentences(2)
    assert airquill("keys", "list", "--json").json == before


def test_what_the_refusal_says_to_do_helps(hands: Control) -> None:
    said = airquill("keys", "bind", "second", "tap", '"@"', "--layout", "de").sentences(2)
    command = re.search(r"airquill (set --keep \S+)", said)
    assert command
    airquill(*command[1].split()).done()
    assert 'types "@"' in airquill("keys", "bind", "second", "tap", '"@"', "--layout", "de").done()


def test_a_gesture_that_there_is_not(sim: str) -> None:
    said = airquill("keys", "bind", "2", "triple", "Tab").err
    assert "'tap', 'hold', 'double'" in " ".join(said.replace("│", " ").split())
    assert "all" in airquill("keys", "names", "kein").sentences(1)


def test_every_command_of_the_page_on_keys(sim: str) -> None:
    """In its order, with the strokes of its tables bound as it says."""
    page = (ROOT / "docs/keys.md").read_text()
    commands = re.findall(r"^    airquill (keys (?!watch).*)$", page, re.M)
    assert len(commands) >= 5
    for command in commands:
        airquill(*shlex.split(command, comments=True)).done()
    rows = re.findall(r"^\| .+? \| `(pedal2|keys)\.(\w+)` \| `(.+?)` \|$", page, re.M)
    assert len(rows) >= 9
    for where, name, stroke in rows:
        if where == "keys":
            airquill("keys", "on", name.removeprefix("on_"), stroke, "--layout", "de").done()
        else:
            airquill("keys", "bind", "second", name.removesuffix("_keys"), stroke, "--layout", "de").done()


def test_a_profile_says_in_the_difference_what_its_strokes_type(sim: str, tmp_path: Path) -> None:
    profile = tmp_path / "heather.toml"
    profile.write_text(
        '[profile]\nregistry = 1\nlayout = "de"\ntitle = ""\n'
        "[pedal2]\ntap_keys = 'Page Down'\nhold_keys = 'Right Arrow, \"zu\"'\n"
    )
    shown = airquill("profile", "apply", profile, "--yes", "--yes-keys").done()
    assert 'pedal2.hold_keys on a PC with layout de: presses Right Arrow, then types "zu".' in shown
    assert "pedal2.tap_keys on a PC" not in shown, "one key needs no consent"
