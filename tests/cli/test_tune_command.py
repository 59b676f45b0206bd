"""`airquill tune` and twins at the command line."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from airquill.link.client import Client
from airquill.profile.document import load
from airquill.simulator.control import Control
from airquill.twin.file import load_twin
from command_line import airquill, end, start_unit

BOARD = Path(__file__).parents[1] / "planning" / "heather"


@pytest.fixture(scope="module")
def tuned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a twin and what tune said of it."""
    folder = tmp_path_factory.mktemp("tuned")
    said = airquill("tune", "--port", "sim://", "--twin", folder / "twin.json", "--page", folder / "page.html",
                    "--write", folder / "heather.toml", "--json")  # fmt: skip
    (folder / "said.json").write_text(said.done())
    return folder


def test_it_says_what_it_found_and_recommends(tuned: Path) -> None:
    said = json.loads((tuned / "said.json").read_text())
    assert said["fits"] is True
    assert said["applied"] == 0
    end_kpa = said["parameters"]["end_kpa"]
    assert end_kpa["low"] < end_kpa["value"] < end_kpa["high"]
    assert said["parameters"]["line_ml"]["told"] is False
    assert said["parameters"]["line_ml"]["why"]
    advice = {one["path"]: one for one in said["advice"]}
    # pneumatics/pump.py: it stalls below 28 %
    assert 30 <= advice["pump.floor_pct"]["recommended"] <= 33
    assert advice["preset3.open_kpa"]["recommended"] < advice["preset3.sealed_kpa"]["recommended"]
    assert advice["grip.lost_pct"]["recommended"] < advice["grip.found_pct"]["recommended"]
    assert all(re.fullmatch(r"[A-Z0-9].*\.", one["reason"]) for one in said["advice"])
    # what changes is wider apart, so a missing part shows better
    preset = next(one for one in said["presets"] if one["preset"] == 3)
    before, after = preset["before"], preset["after"]
    assert after["sealed_kpa"] - after["open_kpa"] > before["sealed_kpa"] - before["open_kpa"]


def test_it_writes_twin_page_and_a_profile_that_a_unit_takes(tuned: Path) -> None:
    assert load_twin(tuned / "twin.json").source == "sensor"
    page = (tuned / "page.html").read_text()
    assert page.count("<svg") == 4
    assert "not told" in page
    assert not re.search(r"(src|href)\s*=", page.replace("xlink:href", ""))
    profile = load(tuned / "heather.toml")
    assert "preset3.strength_pct" in profile.values
    assert "preset3.open_kpa" not in profile.values, "levels stay with a unit"
    applied = airquill("profile", "apply", tuned / "heather.toml", "--yes", "--port", "sim://").done()
    assert "Applied and saved" in applied


def test_applied_it_runs_and_is_saved_and_nothing_is_left_to_change(sim: str) -> None:
    said = airquill("tune", "--apply", "--yes").done()
    assert re.search(r"Applied and saved: \d+ changes\.", said)
    assert "Not told, because" in said
    with Client.open(sim) as unit:
        assert unit.get("settings.unsaved")["settings.unsaved"] is False
        values = unit.get("preset3.strength_pct", "preset3.open_kpa", "preset3.sealed_kpa")
        assert float(str(values["preset3.open_kpa"])) > 0
        # the unit finds a grip with what it was given
        hands = Control.of(unit.port.raw.unit)
        unit.do("preset", 3)
        unit.listen("grip")
        hands.tip("sealed")
        unit.do("pick")
        assert unit.wait_for("grip", 2.0, what="found") is not None
        hands.tip("open")
        assert unit.wait_for("grip", 2.0, what="lost") is not None
        unit.do("release")


def test_without_consent_nothing_is_applied(sim: str) -> None:
    with Client.open(sim) as unit:
        before = unit.all_settings()
    assert "needs your consent" in airquill("tune", "--apply").sentences(2)
    with Client.open(sim) as unit:
        assert unit.all_settings() == before


def test_a_gauge_is_typed_in(sim: str) -> None:
    """Levels of the usual unit, as a gauge shows them: 22G open at 100 to 30 %, stalled below, then sealed."""
    typed = "\n".join(["50", "41", "31", "24", "15,5 kPa", "65", "63", "61", "57.4", "54"]) + "\n"
    said = airquill("tune", "--read", "gauge", "--json", typed=typed)
    found: Any = said.json
    assert said.code == 0, said.err
    assert found["source"] == "gauge"
    assert not found["parameters"]["pen_ml"]["told"]
    assert "steady levels do not show" in found["parameters"]["pen_ml"]["why"]
    assert "valve.vent_ms" not in {one["path"] for one in found["advice"]}
    assert "what does the gauge show" in said.err


def test_a_gauge_that_nobody_reads_is_a_sentence(sim: str) -> None:
    assert "No reading of the gauge" in airquill("tune", "--read", "gauge", typed="").err


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("--needles", "fine"), "takes gauges with commas"),
        (("--needles", "99"), "No needle of 99 gauge"),
        (("--read", "tea"), "takes sensor, rig or gauge"),
        (("--altitude", "20000"), "No unit is tuned there"),
        (("--port", "sim://?sensor=off", "--read", "sensor"), "has no vacuum sensor"),
    ],
)
def test_bad_input_is_said_before_the_unit_is_touched(sim: str, arguments: tuple[str, ...], sentence: str) -> None:
    assert sentence in airquill("tune", *arguments).sentences(2)


def test_an_unsound_profile_is_left_alone(sim: str, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("[pump]\nfloor_pct = 'much'\n")
    airquill("tune", "--write", path).sentences(2)
    assert path.read_text() == "[pump]\nfloor_pct = 'much'\n"


def test_what_does_not_fit_recommends_nothing(tmp_path: Path, sim: str) -> None:
    """A gauge that was read wrongly: the tip sealed at 55 % has more vacuum than at 100 %."""
    typed = "\n".join(["50", "41", "31", "24", "15.5", "58", "30", "62", "64", "20"]) + "\n"
    said = airquill("tune", "--read", "gauge", "--twin", tmp_path / "twin.json", "--page", tmp_path / "page.html",
                    "--write", tmp_path / "mine.toml", typed=typed)  # fmt: skip
    assert said.code == 1
    assert "does not fit the model, so nothing is recommended: levels with the tip sealed" in said.err
    assert "does not fit" in (tmp_path / "page.html").read_text()
    assert not (tmp_path / "twin.json").exists()
    assert not (tmp_path / "mine.toml").exists()


def test_a_pump_that_does_not_start_is_a_sentence() -> None:
    said = airquill("tune", "--port", "sim://?fault=valve_stuck_shut:1")
    assert "the pump does not start" in said.sentences(1)


def test_a_twin_runs_on_a_real_interpreter(tuned: Path, tmp_path: Path) -> None:
    running = start_unit(tmp_path / "unit", "--twin", str(tuned / "twin.json"))
    try:
        with Control.at(running.folder / "control") as around, Client.open(running.port) as unit:
            around.tip("sealed")
            unit.do("strength", 100)
            unit.do("pick")
            unit.port.sleep(2.5)
            sealed_kpa = around.truth()["pen_kpa"]
            unit.do("release")
        twin = load_twin(tuned / "twin.json")
        seen = max(level.kpa for level in twin.levels if level.sealed)
        assert sealed_kpa == pytest.approx(seen, abs=0.5)
    finally:
        end(running)


def test_a_bad_twin_is_a_sentence_everywhere(tuned: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.json"
    bad.write_text(
        (tuned / "twin.json").read_text().replace('"format":1', '"format":7').replace('"format": 1', '"format": 7')
    )
    board = next(BOARD.glob("*.kicad_pcb"))
    for arguments in (("sim", "run", "--twin", bad), ("parts", board, "--twin", bad)):
        assert "reads format 1" in airquill(*arguments).sentences(2)
    assert "reads format 1" in airquill("show", "--port", f"sim://?twin={bad}").err


def test_a_plan_with_a_twin(tuned: Path) -> None:
    board = next(BOARD.glob("*.kicad_pcb"))
    plain, planned = (
        airquill("parts", board, "--json", *options).json for options in ((), ("--twin", tuned / "twin.json"))
    )
    assert len(planned["steps"]) == len(plain["steps"])
    assert planned["steps"] != plain["steps"], "the twin's pump is not quite the usual one"
