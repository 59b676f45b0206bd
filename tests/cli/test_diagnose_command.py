"""`airquill diagnose`: exit codes, what it says, bad input, and a unit that is left as it was."""

from __future__ import annotations

import re
import time
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from airquill.cli import diagnose as command
from airquill.link.client import Client
from airquill.simulator import units
from airquill.simulator.control import Control
from airquill.tuning.baseline import SETTING
from airquill.tuning.hands import ControlHands
from command_line import airquill, end, start_unit

from .test_ready_prompts import Person

NAME = "sim://heather"


@pytest.fixture
def fresh(sim: str) -> str:
    """A fresh virtual unit of this process; faults are given through its control channel."""
    assert sim == NAME
    return sim


def outputs_off(url: str) -> bool:
    outputs = Control.of(units.unit_at(url)).outputs()
    return outputs["pump"] == outputs["valve"] == 0


def settings(url: str) -> dict[str, Any]:
    with Client.open(url) as unit:
        return unit.all_settings()


def test_a_healthy_unit_leaves_with_0(fresh: str) -> None:
    before = settings(fresh)
    said = airquill("diagnose")
    assert "Nothing wrong was found." in said.done()
    assert settings(fresh) == before and outputs_off(fresh)


def test_a_fault_is_named_with_what_to_do_and_its_caution(fresh: str, tmp_path: Path) -> None:
    Control.of(units.unit_at(fresh)).fault("hose_leak", 0.2)
    page = tmp_path / "heather.html"
    said = airquill("diagnose", "--out", page)
    assert said.code == 1, said
    assert re.search(r"leak between needle and filter: hose, pen or a fitting +(over 99|9\d) %", said.out), said.out
    assert "wet finger" in said.out and "Caution: Keep water away" in said.out
    assert "decay" in said.out
    text = page.read_text()
    assert "wet finger" in text and text.count("<svg") == 2
    assert not re.search(r'(src|href)="(?!#|data:)', text)  # nothing is loaded from anywhere
    HTMLParser().feed(text)


def test_json_has_it_all(fresh: str) -> None:
    Control.of(units.unit_at(fresh)).fault("valve_slow", 0.7)
    said = airquill("diagnose", "--json")
    assert said.code == 1
    assert said.json["named"] == "valve_slow" and said.json["likelihoods"]["valve_slow"] > 0.7
    assert sum(said.json["likelihoods"].values()) == pytest.approx(1.0, abs=0.01)
    assert said.json["deviations"]["let_go_ms"] > 3 and said.json["caution"]


def test_the_units_own_baseline_is_what_it_is_compared_with(fresh: str, tmp_path: Path) -> None:
    """A weak pump that the unit was accepted with is healthy; without its baseline it would not be."""
    control = Control.of(units.unit_at(fresh))
    control.fault("pump_wear", 0.3)
    assert airquill("diagnose", "--json").json["named"] == "pump_weak"
    figures = airquill("diagnose", "--json").json["figures"]
    kept = " ".join(f"{name}={figures[name]:.3g}" for name in ("sealed_kpa", "open_kpa", "decay_kpa_s", "let_go_ms"))
    with Client.open(fresh) as unit:
        unit.set({SETTING: f"2026-11-20 22G {kept}"}, keep=True)
    said = airquill("diagnose", "--json")
    assert said.json["named"] != "pump_weak" and said.json["compared_with"] == "the unit's own figures of 2026-11-20"
    control.fault("pump_wear", 0.6)
    assert airquill("diagnose", "--json").json["named"] == "pump_weak"


def test_a_baseline_for_another_needle_says_nothing(fresh: str) -> None:
    with Client.open(fresh) as unit:
        unit.set({SETTING: "2026-11-20 25G open_kpa=61"}, keep=True)
    said = airquill("diagnose", "--needle", "22")
    assert "for a 25G needle" in said.done()


def test_what_accept_wrote_agrees_with_a_checkup(fresh: str, tmp_path: Path) -> None:
    """The bench measures at its own pace; its figures must not look like a fault a moment later."""
    with Client.open(fresh) as unit:
        unit.set({"unit.serial": "HEATHER-07"}, keep=True)
    airquill("accept", "--serial", "HEATHER-07", "--out", tmp_path).done()
    said = airquill("diagnose", "--json", "--book", tmp_path / "book.sqlite")
    assert said.code == 0 and said.json["named"] == "healthy"
    assert said.json["compared_with"].startswith("the unit's own figures of ")


def test_a_record_book_is_the_fleet(fresh: str, tmp_path: Path) -> None:
    assert "There is no record book" in airquill("diagnose", "--book", tmp_path / "none.sqlite").sentences(2)


@pytest.mark.parametrize("line", ["rubbish", "2026-11-20 22G open_kpa=4000", "2026-11-20 22G open_kpa=0"])
def test_a_damaged_baseline(fresh: str, line: str) -> None:
    with Client.open(fresh) as unit:
        unit.set({SETTING: line}, keep=True)
    before = settings(fresh)
    assert f"{SETTING} is damaged: '{line}'" in airquill("diagnose").sentences(2)
    assert settings(fresh) == before


def test_a_tip_that_was_not_closed(fresh: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ControlHands, "seal_tip", lambda self: None)
    assert "The tip was not closed when it was to be" in airquill("diagnose").sentences(2)
    assert outputs_off(fresh)


def test_a_pump_that_never_starts_is_not_taken_for_something_else(fresh: str) -> None:
    """No vacuum at all: a pump that does not turn or a valve that does not move. An ear tells."""
    control = Control.of(units.unit_at(fresh))
    control.fault("pump_stall", 1.0)
    control.supply(11.9)
    said = airquill("diagnose", "--json")
    assert said.code == 1 and said.json["named"] in (None, "pump_still")
    assert said.json["likelihoods"]["pump_still"] > 0.1
    assert airquill("diagnose", "--json", "--answers", "-", typed="listen: still\n").json["named"] == "pump_still"


def test_a_unit_that_was_stopped(fresh: str) -> None:
    with Client.open(fresh) as unit:
        unit.do("stop")
    said = airquill("diagnose").sentences(2)
    assert "stopped by stopped_by_host" in said and "end of its log is: start after" in said
    with Client.open(fresh) as unit:
        assert unit.get("fault.active") == {"fault.active": 1}  # whoever stopped it clears it


def test_a_dead_sensor_stops_the_unit_and_is_named(fresh: str) -> None:
    Control.of(units.unit_at(fresh)).fault("sensor_dead", 1.0)
    Control.of(units.unit_at(fresh)).sleep(5)
    said = airquill("diagnose", "--json")
    assert said.code == 1 and said.json["named"] == "sensor_dead" and said.json["stopped_by"] == "sensor_range"


def test_no_sensor_and_no_answer(fresh: str) -> None:
    assert "Without a vacuum sensor" in airquill("diagnose", "--no-sensor").sentences(2)
    said = airquill("diagnose", "--no-sensor", "--answers", "-", typed="# nothing seen\n").sentences(2)
    assert "without an answer" in said


def test_answers_without_a_sensor(fresh: str, tmp_path: Path) -> None:
    answers = tmp_path / "seen.txt"
    answers.write_text("finger: weak\nhose: hiss\ngauge_closed: 48\nport: tight\nfilter: same\nlisten: usual\n")
    said = airquill("diagnose", "--no-sensor", "--answers", answers, "--json")
    assert said.code == 1 and said.json["named"] == "leak"
    assert set(said.json["answers"]) <= {"finger", "hose", "gauge_closed", "port", "filter", "listen"}
    assert "sealed_kpa" not in said.json["deviations"]


@pytest.mark.parametrize(
    ("arguments", "typed", "why"),
    [
        (("--answers", "none.txt"), "", "cannot be read"),
        (("--answers", "-"), "thumb: weak", "standard input, line 1"),
        (("--answers", "-"), "finger: 3", "answer finger with hard, weak, nothing"),
        (("--needle", "99"), "", "no needle of 99 gauge"),
        (("--altitude", "20000"), "", "outside the standard"),
        (("--out", "/none/such/page.html"), "", "cannot be written"),
    ],
)
def test_bad_options_touch_nothing(fresh: str, arguments: tuple[str, ...], typed: str, why: str) -> None:
    before = settings(fresh)
    assert why in airquill("diagnose", *arguments, typed=typed).sentences(2)
    assert settings(fresh) == before
    assert Control.of(units.unit_at(fresh)).truth()["pump_speed"] == 0


def test_no_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    assert airquill("diagnose", "--port", "/dev/null/none").code == 3


def test_ctrl_c_leaves_outputs_off_and_settings_as_they_were(fresh: str, monkeypatch: pytest.MonkeyPatch) -> None:
    before = settings(fresh)

    def stop(step: str) -> None:
        if step.startswith("Open tip"):
            raise KeyboardInterrupt

    monkeypatch.setattr(command, "_say_step", stop)
    said = airquill("diagnose")
    assert said.code not in (0, 1) and "Traceback" not in said.err
    assert outputs_off(fresh) and settings(fresh) == before


@pytest.mark.slow
@pytest.mark.timeout(300)  # a guard against a hang: half a minute of real time
def test_a_person_at_a_terminal_is_asked_and_may_leave(tmp_path: Path) -> None:
    """A real pseudo-terminal and a unit without a sensor in a process of its own: feet and Enter answer prompts."""
    running = start_unit(tmp_path / "unit")
    try:
        before = running.settings()
        with Control.at(running.folder / "control") as around:
            with Person(running, "diagnose", "--no-sensor") as person:
                _answer(person, around, {"part": "falls", "port": "sucks", "finger": "nothing", "listen": "usual"})
                assert person.code() in (0, 1), person.seen
            assert "Press pedal 1" in person.seen and "Answer with a" in person.seen
            assert "Traceback" not in person.seen
            assert around.outputs()["pump"] == around.outputs()["valve"] == 0
        assert running.settings() == before
    finally:
        end(running)


def _answer(person: Person, around: Control, answers: dict[str, str]) -> None:
    """Do what the terminal says; a question that has no answer here is passed over."""
    words = {"Listen": "listen", "close the pen": "finger", "Pick a part that": "part", "valve's vent": "port"}
    line, asked = "", ""
    while (new := person.look()) is not None:
        line += new
        *whole, line = re.split(r"\r?\n", line)
        for said in whole:
            if said.startswith("Press pedal"):
                around.press(int(said.split()[2]), ms=250, bounce="foot")
            elif "Then press Enter" in said:
                time.sleep(0.2)
                person.type("\n")
            for key, name in words.items():
                if key in said:
                    asked = name
        if "passes over it" in line:
            person.type(answers.get(asked, "") + "\n")
            line, asked = "", ""
