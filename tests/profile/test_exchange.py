"""A profile against a unit: differences, consent, all or nothing; through the command line and at a terminal."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from airquill.keys import encode
from airquill.link import catalogue
from airquill.link.client import Client
from airquill.profile.document import load
from airquill.profile.exchange import differences, missing_on_unit
from command_line import airquill, at_a_terminal

HEATHER = """[profile]
registry = 1

[pump]
kick_ms = 150

[pedal2]
tap_keys = "Page Down"
"""
RISKY = HEATHER + 'hold_keys = "Left Alt + F4"\n\n[keys]\nallow_system = true\n'


@pytest.fixture
def sim(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[str]:
    """A virtual unit whose flash outlives the command that opened it."""
    url = f"sim://?flash={tmp_path / 'flash.bin'}"
    monkeypatch.setenv("AIRQUILL_PORT", url)
    return url


@pytest.fixture
def heather(tmp_path: Path) -> Path:
    path = tmp_path / "heather.toml"
    path.write_text(HEATHER)
    return path


@pytest.fixture
def risky(tmp_path: Path) -> Path:
    path = tmp_path / "risky.toml"
    path.write_text(RISKY)
    return path


def has(*paths: str) -> list[object]:
    with Client.open(os.environ["AIRQUILL_PORT"]) as unit:
        return list(unit.get(*paths).values())


def test_export_then_diff_agrees(sim: str, tmp_path: Path) -> None:
    file = tmp_path / "unit.toml"
    assert "settings" in airquill("profile", "export", file, "--title", "Heather boards", "--layout", "de").done()
    assert (load(file).title, load(file).layout) == ("Heather boards", "de")
    assert "agrees" in airquill("profile", "diff", file).done()
    assert airquill("profile", "diff", file, "--json").json == []


def test_diff_shows_path_and_both_values(sim: str, heather: Path) -> None:
    answer = airquill("profile", "diff", heather)
    assert answer.code == 1
    assert "pump.kick_ms" in answer.out
    assert "200 ms" in answer.out
    assert "150 ms" in answer.out
    assert "Down Arrow" in answer.out
    assert "Page Down" in answer.out
    assert airquill("profile", "diff", heather, "--json").json == [
        {"path": "pump.kick_ms", "unit": 200, "file": 150, "consent": []},
        {"path": "pedal2.tap_keys", "unit": "Down Arrow", "file": "Page Down", "consent": []},
    ]


def test_apply_shows_saves_and_then_has_nothing_to_do(sim: str, heather: Path) -> None:
    out = airquill("profile", "apply", heather, "--yes").done()
    assert "Page Down" in out
    assert "Applied and saved: 2 changes." in out
    assert has("pump.kick_ms", "pedal2.tap_keys") == [150, encode("Page Down")]  # of the next start: it was saved
    assert "Nothing to change" in airquill("profile", "apply", heather, "--yes").done()
    assert airquill("profile", "diff", heather).code == 0


def test_apply_saves_what_only_runs_so_far(monkeypatch: pytest.MonkeyPatch, heather: Path) -> None:
    monkeypatch.setenv("AIRQUILL_PORT", "sim://unsaved-heather")
    airquill("set", "pump.kick_ms=150", "pedal2.tap_keys=Page Down").done()
    assert has("settings.unsaved") == [True]
    assert "Nothing to change" in airquill("profile", "apply", heather, "--yes").done()
    assert has("settings.unsaved") == [False]


def test_strokes_that_need_consent_need_their_own_yes(sim: str, risky: Path) -> None:
    answer = airquill("profile", "apply", risky, "--yes")
    assert "--yes-keys" in answer.sentences(2)
    assert "--yes " not in answer.err
    assert "pedal2.hold_keys holds Left Alt, which can command the PC." in answer.out
    assert has("pump.kick_ms", "pedal2.hold_keys", "keys.allow_system") == [200, b"", False]
    assert "--yes." in airquill("profile", "apply", risky, "--yes-keys").sentences(2)
    airquill("profile", "apply", risky, "--yes", "--yes-keys").done()
    assert has("pedal2.hold_keys", "keys.allow_system") == [encode("Left Alt + F4"), True]
    # Consent was for what changed; what the unit has already is not asked for again.
    airquill("set", "--keep", "pump.kick_ms=199").done()
    airquill("profile", "apply", risky, "--yes").done()


def test_a_unit_refuses_all_of_it_while_system_strokes_are_off(sim: str, tmp_path: Path) -> None:
    file = tmp_path / "x.toml"
    file.write_text(RISKY.replace("allow_system = true", "allow_system = false"))
    assert "keys.allow_system" in airquill("profile", "apply", file, "--yes", "--yes-keys").sentences(2)
    assert has("pump.kick_ms", "pedal2.tap_keys") == [200, encode("Down Arrow")]


def test_settings_that_the_unit_does_not_have_are_named(
    sim: str, heather: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As an older firmware: it describes itself, and does not know pump.kick_ms."""
    older = tuple(entry for entry in catalogue.SETTINGS if entry.path != "pump.kick_ms")
    assert missing_on_unit(older, load(heather)) == ["pump.kick_ms"]
    monkeypatch.setattr(Client, "settings", lambda self: older)
    answer = airquill("profile", "apply", heather, "--yes")
    assert answer.code == 0
    assert "does not have: pump.kick_ms" in answer.err
    assert has("pedal2.tap_keys") == [encode("Page Down")]


def test_differences_come_in_the_units_order_with_types_minded(heather: Path) -> None:
    running = {entry.path: entry.default for entry in catalogue.SETTINGS}
    assert [change.path for change in differences(catalogue.SETTINGS, running, load(heather))] == [
        "pump.kick_ms",
        "pedal2.tap_keys",
    ]


@pytest.fixture
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A consent that is given here is not remembered for the next test."""
    monkeypatch.setenv("AIRQUILL_STATE", str(tmp_path / "state"))


def test_at_a_terminal_it_asks_once_and_takes_a_yes(sim: str, risky: Path, state: None) -> None:
    code, seen = at_a_terminal("y", "profile", "apply", risky)
    assert code == 0, seen
    assert "and what is in red?" in seen
    assert "\x1b[1;31mpedal2.hold_keys" in seen
    assert has("pump.kick_ms", "pedal2.hold_keys") == [150, encode("Left Alt + F4")]


def test_at_a_terminal_a_no_changes_nothing(sim: str, heather: Path) -> None:
    code, seen = at_a_terminal("n", "profile", "apply", heather)
    assert (code, "Nothing was changed." in seen) == (1, True)
    assert has("pump.kick_ms") == [200]


def test_at_a_terminal_yes_does_not_stand_for_the_keys(sim: str, risky: Path) -> None:
    code, _ = at_a_terminal("n", "profile", "apply", risky, "--yes")
    assert code == 1
    assert has("pump.kick_ms", "pedal2.hold_keys") == [200, b""]
