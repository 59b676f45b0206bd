"""A stroke that could command the PC is asked for once, by its content; the permission for such strokes each time."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from airquill.errors import AirquillError
from airquill.keys import encode, is_agreed, remember
from command_line import airquill, at_a_terminal

HEADER = '[profile]\nregistry = 1\nlayout = "us"\n'
PLAIN = '[pedal2]\ntap_keys = "Page Down"\n'
RISKY = '[pedal2]\ntap_keys = "Tab, Enter"\n'
OTHER = '[pedal2]\ntap_keys = "Tab, Tab, Enter"\n'
SYSTEM = '[keys]\nallow_system = true\n[pedal2]\ntap_keys = "Left Control + P"\n'
LONG = '[pedal2]\ntap_keys = "Tab times 9"\n'


@pytest.fixture
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "state"
    monkeypatch.setenv("AIRQUILL_STATE", str(folder))
    return folder


def profile(folder: Path, text: str) -> Path:
    path = folder / "heather.toml"
    path.write_text(HEADER + text)
    return path


def red(shown: str) -> list[str]:
    """Sentences in bold red (ECMA-48, SGR 1 and 31)."""
    return re.findall(r"\x1b\[1;31m(.*?)\x1b\[0m", shown)


def test_a_stroke_is_remembered_by_its_content(state: Path) -> None:
    assert not is_agreed(encode("Tab, Enter"))
    remember([encode("Tab, Enter")])
    assert is_agreed(encode("Tab, Enter"))
    assert not is_agreed(encode("Tab, Tab, Enter"))
    remember([encode("Left Control + P")])
    assert is_agreed(encode("Tab, Enter"))
    assert len((state / "agreed-strokes").read_text().split()) == 2


def test_a_damaged_file_is_no_consent(state: Path) -> None:
    remember([encode("Tab, Enter")])
    place = state / "agreed-strokes"
    place.write_bytes(place.read_bytes()[:40] + b"\xff\n")
    assert not is_agreed(encode("Tab, Enter"))
    remember([encode("Tab, Enter")])
    assert is_agreed(encode("Tab, Enter"))


def test_a_folder_that_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("AIRQUILL_STATE", str(tmp_path / "file"))
    with pytest.raises(AirquillError, match="AIRQUILL_STATE"):
        remember([encode("Tab, Enter")])


def test_asked_once_in_red_and_again_for_another_stroke(state: Path, tmp_path: Path) -> None:
    file = profile(tmp_path, RISKY)
    code, shown = at_a_terminal("y", "profile", "apply", file, "--port", "sim://")
    assert code == 0, shown
    assert "and what is in red?" in shown
    assert "2 chords" in " ".join(red(shown))
    code, shown = at_a_terminal("n", "profile", "apply", file, "--port", "sim://")
    assert "and what is in red?" not in shown
    assert "You agreed to it before" in " ".join(red(shown))
    assert code == 1
    assert airquill("profile", "apply", file, "--yes", "--port", "sim://").code == 0
    other = profile(tmp_path, OTHER)
    assert "--yes-keys" in airquill("profile", "apply", other, "--yes", "--port", "sim://").sentences(2)


def test_no_is_not_remembered_and_neither_is_the_option(state: Path, tmp_path: Path) -> None:
    file = profile(tmp_path, RISKY)
    code, shown = at_a_terminal("n", "profile", "apply", file, "--port", "sim://")
    assert code == 1
    assert "Nothing was changed." in shown
    airquill("profile", "apply", file, "--yes", "--yes-keys", "--port", "sim://").done()
    assert "--yes-keys" in airquill("profile", "apply", file, "--yes", "--port", "sim://").sentences(2)


def test_one_plain_key_is_not_asked_for(state: Path, tmp_path: Path) -> None:
    answer = airquill("profile", "apply", profile(tmp_path, PLAIN), "--yes", "--port", "sim://")
    assert answer.code == 0
    assert "consent" not in answer.err


def test_the_permission_itself_is_asked_for_each_time(state: Path, tmp_path: Path) -> None:
    """A profile that brings a system chord and the setting that lets it through: both are red, one never forgotten."""
    file = profile(tmp_path, SYSTEM)
    code, shown = at_a_terminal("y", "profile", "apply", file, "--port", "sim://")
    assert code == 0, shown
    assert any(line.startswith("keys.allow_system") for line in red(shown))
    assert any(line.startswith("pedal2.tap_keys") for line in red(shown))
    assert is_agreed(encode("Left Control + P"))
    assert "--yes-keys" in airquill("profile", "apply", file, "--yes", "--port", "sim://").sentences(2)


def test_consent_alone_does_not_let_long_text_through(state: Path, tmp_path: Path) -> None:
    file = profile(tmp_path, LONG)
    answer = airquill("profile", "apply", file, "--yes", "--yes-keys", "--port", "sim://")
    assert "keys.allow_text" in answer.sentences(2)
