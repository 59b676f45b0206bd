"""The command line, run in this process or as one of its own, and virtual units started by it."""

from __future__ import annotations

import json
import os
import pty
import select
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from typer.testing import CliRunner

from airquill.cli.main import app
from airquill.link.client import Client

AIRQUILL = (sys.executable, "-c", "from airquill.cli.main import app; app()")
ROOT = Path(__file__).parents[1]
FOLDERS = os.pathsep.join(str(ROOT / name) for name in ("host", "protocol", "device", "hil"))
ENVIRONMENT = {**os.environ, "PYTHONPATH": FOLDERS}
START_S = 60.0  # a guard against a hang only: a unit starts within two seconds


@dataclass
class Answer:
    """How a command ended."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)

    def sentences(self, code: int) -> str:
        """The error of a command that should have failed: its code, one or two sentences, no traceback."""
        assert self.code == code, (self.code, self.out, self.err)
        assert self.err.strip(), "nothing was said"
        assert "Traceback" not in self.err + self.out
        assert len(self.err.split(". ")) <= 3, self.err
        return self.err.strip()

    def done(self) -> str:
        assert self.code == 0, (self.code, self.out, self.err)
        return self.out


def airquill(*arguments: str | Path, typed: str | None = None, **environment: str) -> Answer:
    """Run the command line in this process, not at a terminal."""
    result = CliRunner().invoke(app, [str(argument) for argument in arguments], input=typed, env=environment)
    return Answer(result.exit_code, result.stdout, result.stderr)


def at_a_terminal(answer: str, *arguments: str | Path) -> tuple[int, str]:
    """Run a command at a real pseudo-terminal and answer its yes-or-no questions; its code, and what it showed."""
    master, slave = pty.openpty()
    named = {name: os.environ[name] for name in ("AIRQUILL_PORT", "AIRQUILL_STATE") if name in os.environ}
    process = subprocess.Popen(
        [*AIRQUILL, *map(str, arguments)],
        env={**ENVIRONMENT, **named, "COLUMNS": "200", "TERM": "xterm"},
        stdin=slave,
        stdout=slave,
        stderr=slave,
    )
    os.close(slave)
    seen, asked = b"", 0
    give_up = time.monotonic() + START_S
    while time.monotonic() < give_up:
        ready, _, _ = select.select([master], [], [], 0.2)
        try:
            seen += os.read(master, 4096) if ready else b""
        except OSError:  # the other end is closed: it has ended
            break
        if seen.count(b"[y/N]") > asked:
            asked += 1
            os.write(master, answer.encode() + b"\n")
    process.wait(20)
    os.close(master)
    return process.returncode, seen.decode()


class Running(NamedTuple):
    """A virtual unit in its own process."""

    port: str
    folder: Path
    process: subprocess.Popen[str]

    def settings(self) -> dict[str, Any]:
        with Client.open(self.port) as unit:
            return unit.all_settings()


def start_unit(folder: Path, *options: str) -> Running:
    """`airquill sim run`, ready."""
    process = subprocess.Popen(
        [*AIRQUILL, "sim", "run", "--dir", str(folder), "--json", *options],
        stdout=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
        env={**ENVIRONMENT, "AIRQUILL_STATE": os.environ["AIRQUILL_STATE"]},
    )
    assert process.stdout is not None
    ready, _, _ = select.select([process.stdout], [], [], START_S)
    line = process.stdout.readline() if ready else ""
    if not line:
        process.kill()
        process.wait()
        pytest.fail("the virtual unit did not start")
    return Running(json.loads(line)["port"], folder, process)


def end(running: Running) -> None:
    running.process.terminate()
    running.process.wait(30)
    assert running.process.stdout is not None
    running.process.stdout.close()
