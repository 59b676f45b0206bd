"""A unit and its rig in a labgrid place: a real coordinator and exporter on loopback, the files of docs/labgrid.

Oracle: labgrid 26.0.1, in an environment of its own (.venv-labgrid, made by .ci/labgrid.py).
"""

from __future__ import annotations

import ast
import os
import shlex
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

from airquill.simulator.control import Control
from airquill_hil.limits import Outcome
from airquill_hil.record import read_record
from command_line import ENVIRONMENT, ROOT, airquill, end, start_unit
from conftest import require
from plugin_run import pytest_run
from rigs.protocol_rig import serve
from servers import free_port, ser2net, wait_for_port

LABGRID = ROOT / ".venv-labgrid/bin"
FILES = ROOT / "docs/labgrid"
SERIAL = "HEATHER-07"
PLACE = "bench-1"
# What shows that both lines work, and takes no time.
ONLY = ("identity", "supply", "current")
GIVE_UP_S = 60  # a guard against a hang only: each part is there within three seconds

pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]


class Lab:
    """A coordinator and the exporter of a bench."""

    def __init__(self, folder: Path, environment: dict[str, str]) -> None:
        self.folder = folder
        self._environment = environment

    def client(self, *arguments: str, user: str = "ada") -> subprocess.CompletedProcess[str]:
        """`labgrid-client` on the bench's place."""
        return self.run("labgrid-client", "-p", PLACE, *arguments, LG_USERNAME=user)

    def run(self, program: str, *arguments: str, **more: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [LABGRID / program, *arguments],
            cwd=self.folder,
            env={**self._environment, **more},
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """A place with a running virtual unit, with a serial, and a rig around it; nobody has acquired it."""
    require((LABGRID / "labgrid-client").exists(), "needs labgrid: run python .ci/labgrid.py")
    tmp_path = tmp_path_factory.mktemp("bench")
    with ExitStack() as stack:
        unit = start_unit(tmp_path / "unit")
        stack.callback(end, unit)
        airquill("set", "--keep", f"unit.serial={SERIAL}", "--port", unit.port).done()
        unit_port = stack.enter_context(ser2net(tmp_path, unit.port, "tcp"))
        rig_port = stack.enter_context(rig_around(unit.folder / "control"))
        coordinator = free_port()
        environment = {
            **os.environ,
            "LG_USERNAME": "ada",
            "LG_COORDINATOR": f"127.0.0.1:{coordinator}",
            "BENCH_HOST": "127.0.0.1",
            "UNIT_PORT": str(unit_port),
            "RIG_PORT": str(rig_port),
        }
        folder = tmp_path / "lab"
        shutil.copytree(FILES, folder)

        def start(*command: str) -> None:
            process = subprocess.Popen(
                [LABGRID / command[0], *command[1:]],
                cwd=folder, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            stack.callback(process.wait, 20)
            stack.callback(process.terminate)

        start("labgrid-coordinator", "-l", f"127.0.0.1:{coordinator}")
        wait_for_port(coordinator)
        start("labgrid-exporter", "-c", f"127.0.0.1:{coordinator}", "-n", "bench-pc", "exporter.yaml")
        made = Lab(folder, environment)
        until(lambda: made.run("labgrid-client", "resources").stdout.count("NetworkSerialPort") >= 1)
        assert made.client("create").returncode == 0
        assert made.client("add-match", f"bench-pc/{PLACE}/NetworkSerialPort").returncode == 0
        yield made


@contextmanager
def rig_around(place: Path) -> Iterator[int]:
    """Port of a rig that sees and handles the virtual unit whose control channel is there."""
    ended = threading.Event()
    with Control.at(place) as control, socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=serve, args=(control, server, ended))
        thread.start()
        try:
            yield int(server.getsockname()[1])
        finally:
            ended.set()
            thread.join()


def until(there: Callable[[], bool]) -> None:
    give_up = time.monotonic() + GIVE_UP_S
    while not there():
        assert time.monotonic() < give_up
        time.sleep(0.2)


@pytest.fixture
def wrapper(tmp_path: Path) -> Path:
    """`airquill accept` of this environment, with a choice of checks."""
    path = tmp_path / "airquill"
    command = [sys.executable, "-c", "from airquill.cli.main import app; app()"]
    only = " ".join(f"--only {name}" for name in ONLY)
    path.write_text(
        f"#!/bin/sh\nexport PYTHONPATH={shlex.quote(ENVIRONMENT['PYTHONPATH'])}\n"
        f'exec {shlex.join(command)} "$@" {only}\n'
    )
    path.chmod(0o755)
    return path


def test_a_place_is_acquired_by_one_and_its_unit_checked(lab: Lab, wrapper: Path) -> None:
    records = lab.folder / "records"
    more = {"SERIAL": SERIAL, "AIRQUILL": str(wrapper), "RECORDS": str(records)}
    command = ("pytest", "-p", "no:cacheprovider", "--lg-env", "environment.yaml", "test_place.py")
    refused = lab.run(*command, **more)
    assert refused.returncode != 0 and "is not acquired" in refused.stdout + refused.stderr
    assert not records.exists()

    assert lab.client("acquire").returncode == 0
    other = lab.client("acquire", user="grace")
    assert other.returncode != 0 and "already acquired" in other.stderr
    done = lab.run(*command, **more)
    # A choice of checks never accepts, and the page's test says so.
    assert done.returncode == 1 and "airquill accept left with 1" in done.stdout, done.stdout + done.stderr
    record = read_record(next(records.glob("*.json")))
    assert {check.name: check.outcome for check in record.checks} == dict.fromkeys(ONLY, Outcome.PASS)
    assert (record.serial, record.station, record.rig["board"]) == (SERIAL, PLACE, "rig")
    assert "All 3 checks passed. The others were not run." in record.sentence

    assert lab.client("release").returncode == 0
    assert lab.client("acquire", user="grace").returncode == 0
    assert lab.client("release", user="grace").returncode == 0


def test_addresses_of_a_place_are_what_the_plugin_takes(lab: Lab, tmp_path: Path) -> None:
    assert lab.client("acquire").returncode == 0
    shown = lab.client("show").stdout
    unit, rig = (f"socket://{said['host']}:{said['port']}" for said in ports(shown, "unit", "rig"))
    chosen = ("-k", f"({' or '.join(ONLY)}) and not plug", "--out", "records")
    done = pytest_run(tmp_path, "--unit", unit, "--rig", rig, "--serial", SERIAL, *chosen)
    assert done.returncode == 1 and "All 3 checks passed. The others were not run." in done.stdout, done.stdout


def ports(shown: str, *names: str) -> list[dict[str, Any]]:
    """Parameters of acquired resources, as `labgrid-client show` prints them."""
    found = []
    for name in names:
        text = shown.split(f"Acquired resource '{name}'")[1].split("\n", 1)[1].split("Acquired resource")[0]
        found.append(dict(ast.literal_eval(text.strip())["params"]))
    return found
