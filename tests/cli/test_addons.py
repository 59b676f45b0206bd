"""The commands at a unit with an add-on: its settings, readings and actions are used as the registry's own."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

import airquill.simulator as airquill_simulator
from airquill.simulator.units import unit_at
from command_line import ROOT, airquill

LIT = 65535


@pytest.fixture
def sim(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A virtual unit in this process, with the lamp that follows the grip."""
    airquill_simulator.reset()
    url = f"sim://lamp?addons={ROOT / 'device' / 'addons'}"
    monkeypatch.setenv("AIRQUILL_PORT", url)
    yield url
    airquill_simulator.reset()


def profile(folder: Path, text: str) -> Path:
    path = folder / "lamp.toml"
    path.write_text(f"[profile]\nregistry = 1\n\n{text}\n")
    return path


def test_show_and_set(sim: str) -> None:
    assert airquill("show", "x.grip_lamp.held_pct", "--json").json == {"x.grip_lamp.held_pct": 100}
    assert "Brightness while a part is held." in airquill("show", "x").done()
    assert "60 %" in airquill("set", "x.grip_lamp.held_pct=60").done()
    assert "from 0 to 100 %" in airquill("set", "x.grip_lamp.held_pct=101").sentences(2)
    assert "Did you mean x.grip_lamp.held_pct" in airquill("set", "x.grip_lamp.held=60").sentences(2)
    assert airquill("show", "x.grip_lamp.runs", "--json").json == {"x.grip_lamp.runs": True}


def test_do(sim: str) -> None:
    airquill("do", "x.grip_lamp.show", "300").done()
    unit = unit_at(sim)
    unit.advance(100_000)
    assert unit.desk.do_outputs()["x.grip_lamp.lamp"] == LIT
    assert "out of range" in airquill("do", "x.grip_lamp.show", "301").sentences(2)
    assert "takes LOOKS, not 0 values" in airquill("do", "x.grip_lamp.show").sentences(2)
    assert "no action x.grip_lamp.shine" in airquill("do", "x.grip_lamp.shine").sentences(2)


def test_a_profile_carries_its_settings(sim: str, tmp_path: Path) -> None:
    path = tmp_path / "out.toml"
    airquill("profile", "export", str(path)).done()
    assert '["x.grip_lamp"]' in path.read_text()
    assert tomllib.loads(path.read_text())["x.grip_lamp"] == {"held_pct": 100, "seeking_pct": 10}
    airquill("set", "x.grip_lamp.held_pct=55").done()
    (difference,) = airquill("profile", "diff", str(path), "--json").json
    assert (difference["path"], difference["unit"], difference["file"]) == ("x.grip_lamp.held_pct", 55, 100)
    airquill("profile", "apply", str(path), "--yes").done()
    assert airquill("show", "x.grip_lamp.held_pct", "--json").json == {"x.grip_lamp.held_pct": 100}


@pytest.mark.parametrize("head", ['["x.grip_lamp"]', "[x.grip_lamp]"])
def test_both_ways_to_write_the_table(sim: str, tmp_path: Path, head: str) -> None:
    airquill("profile", "apply", str(profile(tmp_path, f"{head}\nheld_pct = 44")), "--yes").done()
    assert airquill("show", "x.grip_lamp.held_pct", "--json").json == {"x.grip_lamp.held_pct": 44}


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('["x.grip_lamp"]\nheld_pct = 101', "from 0 to 100"),
        ('["x.grip_lamp"]\nheld_pct = "much"', "from 0 to 100"),
        ('["x.grip_lamp"]\nheld_pct = true', "from 0 to 100"),
        ('["x.grip_lamp"]\nheld_pct = [1]', "takes a number, text, true or false"),
        ("[x]\ngrip_lamp = 3", "is a table"),
        ("x = 3", 'Write ["x.NAME"]'),
    ],
)
def test_what_does_not_fit_is_refused_whole(sim: str, tmp_path: Path, text: str, sentence: str) -> None:
    path = profile(tmp_path, "[pump]\nidle_pct = 37\n\n" + text if "=" in text and text[0] == "[" else text)
    if text.startswith("x"):
        path.write_text(text + "\n" + path.read_text().replace(text, ""))
    assert sentence in airquill("profile", "apply", str(path), "--yes").sentences(2)
    assert airquill("show", "pump.idle_pct", "--json").json == {"pump.idle_pct": 40}


def test_a_unit_without_it_takes_the_rest_and_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    airquill_simulator.reset()
    monkeypatch.setenv("AIRQUILL_PORT", "sim://plain")
    path = profile(tmp_path, '[pump]\nidle_pct = 37\n\n["x.grip_lamp"]\nheld_pct = 44')
    assert "sound" in airquill("profile", "check", str(path)).done()
    answer = airquill("profile", "apply", str(path), "--yes")
    assert "does not have the add-on for: x.grip_lamp.held_pct" in answer.err
    assert answer.code == 0
    assert airquill("show", "pump.idle_pct", "--json").json == {"pump.idle_pct": 37}
    airquill_simulator.reset()


def test_the_log_names_one_that_failed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "bad.py").write_text("class AddOn:\n    def __init__(self, api):\n        raise OSError\n")
    airquill_simulator.reset()
    monkeypatch.setenv("AIRQUILL_PORT", f"sim://bad?addons={tmp_path}")
    assert "x.bad failed and was switched off: OSError." in airquill("log").done()
    assert "addon_failed" in airquill("show").done()
    airquill_simulator.reset()
