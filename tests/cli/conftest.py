"""A virtual unit on a real MicroPython behind a real pseudo-terminal, and one in this process."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import ExitStack

import pytest

import airquill.simulator as airquill_simulator
from airquill.link.client import Client
from command_line import Running, end, start_unit


@pytest.fixture(scope="package")
def package_unit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    running = start_unit(tmp_path_factory.mktemp("unit"))
    yield running
    end(running)


@pytest.fixture
def unit(package_unit: Running) -> Running:
    """A virtual unit with factory settings, saved; at its pseudo-terminal."""
    with Client.open(package_unit.port) as client:
        client.do("release")
        client.do("clear")
        give_up = time.monotonic() + 30  # a guard against a hang only: it takes a second
        while client.get("cycle.state")["cycle.state"] != "idle" and time.monotonic() < give_up:
            time.sleep(0.05)
        client.do("factory")
        client.save()
    return package_unit


@pytest.fixture
def sim(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Address of a fresh virtual unit in this process, with factory settings. Commands need no --port."""
    airquill_simulator.reset()
    url = "sim://heather"
    monkeypatch.setenv("AIRQUILL_PORT", url)
    yield url
    airquill_simulator.reset()


@pytest.fixture
def cleanup() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack
