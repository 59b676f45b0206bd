"""Prompts that wait for a hand's work, at a real pseudo-terminal: a foot answers as well as Enter, in every command."""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import subprocess
import time
from pathlib import Path

import pytest

from airquill.simulator.control import Control
from command_line import AIRQUILL, ENVIRONMENT, ROOT, Running

READY = re.compile(r"Then press Enter[^.]*\.")
GIVE_UP_S = 90.0


class Person:
    """Somebody at a terminal, who knows of the unit only what the terminal says."""

    def __init__(
        self, unit: Running, *arguments: str, program: tuple[str, ...] = AIRQUILL, port: str = "--port"
    ) -> None:
        self._master, slave = pty.openpty()
        self.process = subprocess.Popen(
            [*program, *arguments, port, f"spy://{unit.port}?file={os.devnull}"],
            stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
            env={**ENVIRONMENT, "TERM": "dumb", "COLUMNS": "200"},
        )  # fmt: skip
        os.close(slave)
        self.seen = ""
        self._end = time.monotonic() + GIVE_UP_S

    def __enter__(self) -> Person:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._master)

    def type(self, text: str) -> None:
        os.write(self._master, text.encode())

    def look(self) -> str | None:
        """What is new on the terminal; None when the command has ended."""
        assert time.monotonic() < self._end, self.seen
        ready, _, _ = select.select([self._master], [], [], 0.2)
        try:
            new = os.read(self._master, 4096).decode() if ready else ""
        except OSError:
            return None
        self.seen += new
        return new

    def code(self) -> int:
        while self.look() is not None:
            pass
        return self.process.wait(30)


@pytest.mark.parametrize("by_foot", [True, False])
def test_wiring_check(unit: Running, by_foot: bool) -> None:
    moved = iter(["valve", "bar", "pump"])
    before = unit.settings()
    with Control.at(unit.folder / "control") as around, Person(unit, "wiring", "check") as person:
        line, feet = "", iter(range(100))
        while (new := person.look()) is not None:
            line += new
            *whole, line = re.split(r"\r?\n", line)
            for said in whole:
                if said.startswith("Press pedal"):
                    around.press(int(said.split()[2]), ms=150, bounce="foot")
                elif said.startswith("Turn the knob"):
                    around.knob(3)
                elif said.startswith("Push the knob"):
                    around.knob_push(True)
                    time.sleep(0.1)
                    around.knob_push(False)
                elif said.startswith("What moved"):
                    person.type(next(moved) + "\n")
                elif READY.search(said):
                    around.tip("sealed" if said.startswith("Close the tip") else "open")
                    if by_foot:
                        time.sleep(0.3)  # the question is there before the unit is told to listen to feet
                        around.press(next(feet) % 2 + 1, ms=150, bounce="foot")
                    else:
                        person.type("\n")
        assert person.process.wait(30) == 0, person.seen
    assert "10 of 10 parts are as wired" in person.seen
    assert len(READY.findall(person.seen)) == 6
    assert set(READY.findall(person.seen)) == {"Then press Enter or a pedal."}
    assert unit.settings() == before


def test_accept(unit: Running, tmp_path: Path) -> None:
    with (
        Control.at(unit.folder / "control") as around,
        Person(unit, "accept", "--serial", "HEATHER-07", "--out", str(tmp_path)) as person,
    ):
        while len(READY.findall(person.seen)) < 2:
            new = person.look()
            assert new is not None, person.seen
            if READY.search(new):
                time.sleep(0.3)
                around.press(2, ms=150, bounce="foot")
        person.process.send_signal(signal.SIGINT)
        assert person.code() != 0
    assert "Traceback" not in person.seen


def test_all_of_them_go_through_one_place() -> None:
    """Nobody else asks for Enter, or waits for it. What is left are questions that want an answer."""
    waits = re.compile(r"press enter|wait_until_ready\(|enter_at_terminal", re.I)
    found = {
        path.relative_to(ROOT).as_posix()
        for folder in ("host", "hil")
        for path in (ROOT / folder).rglob("*.py")
        if waits.search(path.read_text())
    }
    assert found == {"host/airquill/link/ready.py"}
