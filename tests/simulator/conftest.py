"""A virtual unit of its own for each test that asks for one."""

import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from simulator.running import Running


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Running]]:
    started: list[Running] = []

    def run(*arguments: str, folder: Path = tmp_path / "unit") -> Running:
        started.append(Running(folder, *arguments))
        return started[-1]

    yield run
    for unit in started:
        if unit.process.poll() is None:
            unit.end(signal.SIGKILL)
