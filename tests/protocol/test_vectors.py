"""One file of conformance vectors, run by both interpreters. The check sums in it were computed with crccheck 1.3.1."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
PROTOCOL = HERE.parents[1] / "protocol"


def run(command: list[str], **environment: str) -> str:
    result = subprocess.run(
        [*command, str(HERE / "vectors_runner.py"), str(HERE / "vectors.json")],
        capture_output=True,
        text=True,
        env={"PATH": "/usr/bin:/bin", **environment},
        check=False,
    )
    assert result.returncode == 0, result.stdout + result.stderr
    return result.stdout.splitlines()[-1]


@pytest.fixture(scope="module")
def micropython() -> str:
    beside = Path(sys.executable).with_name("micropython")
    found = str(beside) if beside.exists() else shutil.which("micropython")
    assert found, "the interpreter comes with the project's own dependencies"
    return found


def test_both_interpreters_agree_on_every_vector(micropython: str) -> None:
    on_cpython = run([sys.executable], PYTHONPATH=str(PROTOCOL))
    on_micropython = run([micropython], MICROPYPATH=f"{PROTOCOL}:.frozen")
    assert on_cpython == on_micropython
    assert int(on_cpython.split()[0]) >= 120
