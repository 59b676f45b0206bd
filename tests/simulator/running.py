"""A started `airquill sim run`, with its port and its control channel."""

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import serial

from airquill.simulator.control import Control
from simulator.line import Line

# For machines on which much else runs; nothing waits so long when all is well.
PATIENCE_S = 60  # a guard against a hang only: what is waited for takes a second or two
REPLY_S = 15


class Running:
    """A started `airquill sim run`."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        command = [sys.executable, "-c", "from airquill.cli.main import app; app()"]
        command += ["sim", "run", "--dir", str(folder), "--json", *arguments]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout
        self.said = json.loads(self.process.stdout.readline())
        self.folder = folder
        self.port = serial.Serial(str(folder / "port"), timeout=REPLY_S)
        self.line = Line(self.port)
        self.hands = Control.at(folder / "control")

    def interpreters(self) -> list[int]:
        """Process ids of what it has started."""
        found = []
        for stat in Path("/proc").glob("[0-9]*/stat"):
            try:
                parent = int(stat.read_text().rpartition(")")[2].split()[1])
            except OSError:
                continue
            if parent == self.process.pid:
                found.append(int(stat.parent.name))
        return found

    def end(self, number: int = signal.SIGTERM) -> int:
        self.port.close()
        self.hands.close()
        self.process.send_signal(number)
        code = self.process.wait(PATIENCE_S)
        assert self.process.stdout
        self.process.stdout.close()
        return code

    def until(self, what: Callable[[], bool]) -> None:
        end = time.monotonic() + PATIENCE_S
        while not what():
            assert time.monotonic() < end
            time.sleep(0.01)

    def greet_again(self) -> dict[str, str]:
        """The greeting after a start, which may take its time."""
        self.port.timeout = 0.3
        end = time.monotonic() + PATIENCE_S
        while True:
            try:
                return self.line.greet()
            except AssertionError:
                assert time.monotonic() < end
            finally:
                self.port.timeout = REPLY_S
