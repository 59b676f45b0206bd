"""Somebody at a terminal who pulls plugs and tells which lamps are lit, for `accept` and for the plugin."""

from __future__ import annotations

import re
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from airquill.simulator.control import Control
from airquill_hil.attendant import ControlAttendant
from airquill_hil.limits import Outcome
from airquill_hil.record import Record, read_record
from cli.test_ready_prompts import Person
from command_line import Running, airquill, end, start_unit

PYTEST = (sys.executable, "-m", "pytest", "-p", "airquill_hil.plugin", "-p", "no:cacheprovider")
PYTEST += ("--pyargs", "airquill_hil")
PLUG = re.compile(r"(Pull|Put back) (the [^.]*)\. Then press Enter or a pedal\.")
CHECKS = ("bar", "sensor_plug", "supply_plug")


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    running = start_unit(tmp_path_factory.mktemp("unit"))
    airquill("set", "--keep", "unit.serial=HEATHER-07", "--port", running.port).done()
    yield running
    end(running)


def answer(person: Person, around: Control) -> None:
    """Do what the terminal says until the command ends; the first answer about lamps is none."""
    attendant, line, asked = ControlAttendant(around), "", 0
    while (new := person.look()) is not None:
        line += new
        if re.search(r"(Which lamps|Type numbers)[^\n]*: $", line):
            asked += 1
            lamps = " ".join(str(n) for n in sorted(attendant.lamps()))
            person.type("the left ones\n" if asked == 1 else f"{lamps}\n")
            line = ""
        elif found := PLUG.search(line):
            (attendant.pull if found[1] == "Pull" else attendant.put_back)(
                "sensor" if "sensor" in found[2] else "supply"
            )
            time.sleep(0.3)
            person.type("\n")
            line = line[found.end() :]


def record_in(folder: Path) -> Record:
    return read_record(next(folder.glob("*.json")))


def test_accept_asks_and_judges_by_the_answers(unit: Running, tmp_path: Path) -> None:
    only = [word for name in CHECKS for word in ("--only", name)]
    with (
        Control.at(unit.folder / "control") as around,
        Person(unit, "accept", "--serial", "HEATHER-07", "--out", str(tmp_path), *only) as person,
    ):
        answer(person, around)
        assert person.process.wait(30) == 1, person.seen
    record = record_in(tmp_path)
    assert {check.name: check.outcome for check in record.checks} == dict.fromkeys(CHECKS, Outcome.PASS), person.seen
    assert "Type numbers from 1 to 5" in person.seen and "Traceback" not in person.seen


def test_the_plugin_asks_the_same(unit: Running, tmp_path: Path) -> None:
    chosen = ("-k", " or ".join(CHECKS), "--serial", "HEATHER-07", "--out", str(tmp_path))
    with (
        Control.at(unit.folder / "control") as around,
        Person(unit, *chosen, program=PYTEST, port="--unit") as person,
    ):
        answer(person, around)
        assert person.process.wait(60) == 1, person.seen
    outcomes = {check.name: check.outcome for check in record_in(tmp_path).checks}
    assert outcomes == dict.fromkeys(CHECKS, Outcome.PASS), person.seen
