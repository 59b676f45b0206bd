"""`airquill pedals` as a person and a script see it."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import time
from pathlib import Path

from airquill.simulator.control import Control
from airquill.simulator.units import control
from command_line import AIRQUILL, ENVIRONMENT, Running, airquill


def test_record_says_what_to_set_and_writes_a_page(sim: str, tmp_path: Path) -> None:
    page = tmp_path / "bounce.html"
    said = airquill("pedals", "record", "2", "--presses", "12", "--out", page).done()
    assert "12 bursts" in said
    command = re.search(r"airquill (set --keep pedal2\.press_ms=\d+ pedal2\.release_ms=\d+)", said)
    assert command
    airquill(*command[1].split()).done()
    html = page.read_text()
    assert html.count("<svg ") == 2
    assert not re.search(r"(src|href)=.?(https?:|//)", html.replace('xmlns:xlink="http://www.w3.org', ""))
    assert "pedal2.release_ms" in html


def test_record_as_json(sim: str) -> None:
    said = airquill("pedals", "record", "--presses", "3", "--json").json
    assert said["counted"] == said["press"]["bursts"] == 3
    assert [burst["kind"] for burst in said["bursts"]] == ["press", "release"] * 3
    assert set(said["recommended"]) == {"pedal1.press_ms", "pedal1.release_ms"}


def test_check_leaves_with_the_answer(sim: str) -> None:
    assert airquill("pedals", "check").done().count("good") == 5
    control(sim).contact(2, True)
    control(sim).sleep(0.2)
    wrong = airquill("pedals", "check", "2")
    assert wrong.code == 1
    assert "pedal2.contact=normally_closed" in wrong.out
    assert [one["ok"] for one in airquill("pedals", "check", "--json").json] == [True, False, True]


def test_bad_input(sim: str, tmp_path: Path) -> None:
    assert "folder" in airquill("pedals", "record", "--out", tmp_path / "no" / "b.html").sentences(2)
    assert "folder" in airquill("pedals", "record", "--out", tmp_path).sentences(2)
    airquill("pedals", "record", "3").sentences(2)
    airquill("pedals", "record", "--presses", "0").sentences(2)
    airquill("do", "pick").done()
    assert "Vacuum is on" in airquill("pedals", "record").sentences(1)
    airquill("do", "release").done()
    control(sim).sleep(3)
    control(sim).fault("cable_open", 1.0)
    airquill("do", "release").done()
    assert "airquill pedals check" in airquill("pedals", "record").sentences(1)
    control(sim).fault("cable_open", 0.0)
    control(sim).contact(1, True)
    control(sim).sleep(0.5)
    airquill("do", "release").done()
    control(sim).sleep(3)
    assert "reads as down" in airquill("pedals", "record").sentences(1)


def test_without_terminal_and_hands_nobody_can_press(unit: Running) -> None:
    """At the unit's port by another name the command knows no hands."""
    said = airquill("pedals", "check", "--port", f"spy://{unit.port}?file={os.devnull}").sentences(2)
    assert "terminal" in said


def test_a_person_at_a_terminal(unit: Running) -> None:
    """A real pseudo-terminal on both sides: the person's, who is told what to do, and the unit's."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [*AIRQUILL, "pedals", "check", "--port", f"spy://{unit.port}?file={os.devnull}"],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env={**ENVIRONMENT, "TERM": "dumb", "COLUMNS": "200"},
    )
    os.close(slave)
    seen = ""
    with Control.at(unit.folder / "control") as feet:
        while True:
            try:
                new = os.read(master, 4096).decode()
            except OSError:
                break
            if not new:
                break
            seen += new
            for pedal in re.findall(r"Press pedal (\d) once", new):
                feet.press(int(pedal), ms=150, bounce="foot")
            if "Hold pedal 1 down" in new:
                feet.press(1)
                time.sleep(0.2)
                feet.press(2, ms=150)
                time.sleep(0.4)
                feet.release(1)
    assert process.wait(30) == 0, seen
    os.close(master)
    assert seen.count("good") == 5
