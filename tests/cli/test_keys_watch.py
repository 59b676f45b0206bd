"""`airquill keys watch` as a person and a script see it."""

from __future__ import annotations

import os
import pty
import subprocess
from collections.abc import Callable

from airquill.keys.received import event_device
from airquill.simulator.units import unit_at
from command_line import AIRQUILL, ENVIRONMENT, Running, airquill


def test_the_command_shows_them(sim: str) -> None:
    unit = unit_at(sim)
    for after_s, down in ((0.8, True), (0.9, False)):
        unit.world.contacts.move(unit.clock.us + round(after_s * 1e6), 1, down, "foot")
    lines = airquill("keys", "watch", "--seconds", "1").done().splitlines()
    assert [line.split("  ")[0] for line in lines] == ["Down Arrow down", "Down Arrow up"]
    assert "ms after pedal 2" in lines[0]


def test_without_any_way_to_see_keys(unit: Running, require: Callable[[object, str], None]) -> None:
    require(event_device("") is None, "needs a computer without an Airquill on its USB")
    said = airquill("keys", "watch", "--seconds", "1", "--port", f"spy://{unit.port}?file={os.devnull}").sentences(2)
    assert "terminal in front" in said


def test_a_terminal_shows_what_it_gets(unit: Running) -> None:
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [*AIRQUILL, "keys", "watch", "--port", f"spy://{unit.port}?file={os.devnull}"],
        stdin=slave, stdout=slave, stderr=slave, env={**ENVIRONMENT, "COLUMNS": "200"},
    )  # fmt: skip
    os.close(slave)
    try:
        seen = ""
        while "terminal shows" not in seen:
            seen += os.read(master, 4096).decode()
        for keys, wanted in ((b"\x1b[B", "Down Arrow  (codes 1b 5b 42)"), (b"x", "x  (codes 78)")):
            os.write(master, keys)
            while wanted not in seen:
                seen += os.read(master, 4096).decode()
        os.write(master, b"q")
        assert process.wait(60) == 0
    finally:
        process.kill()
        process.wait()
        os.close(master)
