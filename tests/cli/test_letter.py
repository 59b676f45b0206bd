"""`airquill letter`: asked before it is written, tested or not, read with a record book, and bad input."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import time
from pathlib import Path

import pytest

from airquill.letter.model import read_letter
from airquill.link.client import Client
from command_line import AIRQUILL, ENVIRONMENT, Running, airquill, at_a_terminal, end, start_unit

GUARD_S = 60.0  # against a hang only


def test_letter_and_reply_over_a_record_book(sim: str, tmp_path: Path) -> None:
    """The whole way: accepted, shipped, its filter clogs, a letter, a reply."""
    from airquill.simulator.units import control

    airquill("set", "--keep", "unit.serial=HEATHER-07", "unit.name=bench of Ada").done()
    records = tmp_path / "records"
    airquill("accept", "--serial", "HEATHER-07", "--out", records).done()
    control(sim).fault("filter_clog", 0.62)
    letter = tmp_path / "heather.letter"
    out = airquill("letter", letter, "--yes").done()
    assert "its serial HEATHER-07" in out
    assert "It does not hold: what your pedals type" in out
    assert "Ada" not in letter.read_text()
    page = tmp_path / "heather.html"
    said = airquill("letter", "read", letter, "--book", records / "book.sqlite", "--out", page).done()
    assert "compared with the record of its acceptance" in said
    assert "Look at this first" not in said
    assert "filter clogged" in said
    assert "Change the filter" in said
    assert "Draft of a reply" in page.read_text()
    read = airquill("letter", "read", letter, "--book", records / "book.sqlite", "--json").json
    assert (read["named"], read["doubts"]) == ("filter_clog", [])
    assert read["unit"]["serial"] == "HEATHER-07"
    vent = next(row for row in read["figures"] if row["name"] == "vent_ms")
    assert vent["now"] > 1.5 * vent["accepted"]
    # Without the book the unit's own figures of acceptance are there.
    assert "figures that the unit itself keeps" in airquill("letter", "read", letter).done()


def test_without_a_test(sim: str, tmp_path: Path) -> None:
    letter = tmp_path / "a.letter"
    made = airquill("letter", "--no-test", "--yes", "--json", letter).json
    assert made["file"] == str(letter)
    assert "No test." in made["holds"]
    assert read_letter(letter).checkup is None
    assert "It holds no test" in airquill("letter", "read", letter).done()


def test_a_unit_that_a_fault_stopped_stays_stopped_and_the_reply_says_which(sim: str, tmp_path: Path) -> None:
    from airquill.simulator.units import control

    hands = control(sim)
    hands.supply(9.0)
    hands.sleep(2.0)
    letter = tmp_path / "a.letter"
    airquill("letter", letter, "--yes").done()
    checkup = read_letter(letter).checkup
    assert checkup is not None
    assert checkup.stopped_by == "supply_low"
    assert "State        stopped: supply_low" in airquill("show").done()
    said = " ".join(airquill("letter", "read", letter).done().split())
    assert "The fault supply_low stopped the test" in said
    assert "Check supply and fuse" in said


def test_nobody_can_be_asked(sim: str, tmp_path: Path) -> None:
    letter = tmp_path / "a.letter"
    assert "Add --yes" in airquill("letter", letter).sentences(2)
    assert not letter.exists()


def test_what_is_there_is_not_written_over(sim: str, tmp_path: Path) -> None:
    letter = tmp_path / "a.letter"
    letter.write_text("kept")
    assert "is there already" in airquill("letter", letter, "--yes").sentences(2)
    assert letter.read_text() == "kept"
    assert "cannot be written" in airquill("letter", "--no-test", "--yes", letter / "below").sentences(2)


@pytest.mark.parametrize(("answer", "code", "written"), [("n", 1, False), ("y", 0, True)])
def test_it_asks_at_a_terminal(
    unit: Running, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, answer: str, code: int, written: bool
) -> None:
    monkeypatch.setenv("AIRQUILL_PORT", unit.port)
    letter = tmp_path / "a.letter"
    left, shown = at_a_terminal(answer, "letter", "--no-test", letter)
    assert (left, letter.exists()) == (code, written)
    assert "will hold:" in shown
    assert shown.index("It does not hold") < shown.index("Write it?")


def test_ctrl_c_during_the_test_leaves_the_unit_as_it_was(unit: Running, tmp_path: Path) -> None:
    before = unit.settings()
    letter = tmp_path / "a.letter"
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [*AIRQUILL, "letter", "--port", unit.port, "--yes", str(letter)],
        env={**ENVIRONMENT, "TERM": "xterm", "AIRQUILL_STATE": os.environ["AIRQUILL_STATE"]},
        stdin=slave,
        stdout=slave,
        stderr=slave,
    )
    os.close(slave)
    seen = b""
    give_up = time.monotonic() + GUARD_S
    while b"Sealed tip" not in seen and time.monotonic() < give_up:
        if select.select([master], [], [], 0.2)[0]:
            seen += os.read(master, 4096)
    process.send_signal(signal.SIGINT)
    process.wait(GUARD_S)
    os.close(master)
    assert process.returncode == 130
    assert not letter.exists()
    assert unit.settings() == before
    with Client.open(unit.port) as client:
        assert client.get("cycle.state", "pump.duty_pct") == {"cycle.state": "idle", "pump.duty_pct": 0}


def test_without_a_sensor_it_asks_and_the_answers_go_along(tmp_path: Path) -> None:
    blind = start_unit(tmp_path / "blind", "--no-sensor")
    letter = tmp_path / "a.letter"
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [*AIRQUILL, "letter", "--port", blind.port, "--yes", str(letter)],
        env={**ENVIRONMENT, "TERM": "xterm", "AIRQUILL_STATE": os.environ["AIRQUILL_STATE"]},
        stdin=slave,
        stdout=slave,
        stderr=slave,
    )
    os.close(slave)
    seen, asked = b"", 0
    give_up = time.monotonic() + GUARD_S
    while time.monotonic() < give_up:
        if select.select([master], [], [], 0.2)[0]:
            try:
                seen += os.read(master, 4096)
            except OSError:  # the other end is closed: it has ended
                break
        if seen.count(b"passes over it") > asked:
            asked += 1
            os.write(master, b"slow\n" if b"Listen to the pump" in seen.split(b"passes over it")[-2] else b"\n")
    process.wait(GUARD_S)
    os.close(master)
    end(blind)
    assert process.returncode == 0, seen
    assert asked > 1
    read = read_letter(letter)
    assert read.answers == {"listen": "slow"}
    assert read.checkup is not None
    assert "Your answers to 1 questions" in seen.decode()
    assert "slow or labouring" in airquill("letter", "read", letter).done()


def test_needles_and_books_that_are_none(sim: str, tmp_path: Path) -> None:
    letter = tmp_path / "a.letter"
    assert "No needle of 7 gauge" in airquill("letter", letter, "--yes", "--needle", "7").sentences(2)
    airquill("letter", letter, "--yes", "--no-test").done()
    assert "no record book" in airquill("letter", "read", letter, "--book", tmp_path / "none.sqlite").sentences(2)
    wrong = tmp_path / "book.sqlite"
    wrong.write_text("no book")
    airquill("letter", "read", letter, "--book", wrong).sentences(2)
    assert "no TOML" in airquill("letter", "read", letter, "--profile", wrong).sentences(2)


@pytest.mark.parametrize("content", ["", "hello", "[" * 5000, json.dumps({"letter": 7}), '{"letter": 1, "a": NaN}'])
def test_what_is_no_letter(tmp_path: Path, content: str) -> None:
    letter = tmp_path / "a.letter"
    letter.write_text(content)
    airquill("letter", "read", letter, "--out", tmp_path / "a.html").sentences(2)
    assert not (tmp_path / "a.html").exists()


def test_help_says_both() -> None:
    said = airquill("letter", "--help").done()
    assert "letter FILE" in said
    assert "letter read FILE" in said
    assert airquill("letter").code == 2
