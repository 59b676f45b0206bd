"""Many benches: units side by side, a unit behind a serial port server, and what docs/benches.md tells."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
import yaml

from airquill.link.client import Client
from command_line import ROOT, airquill, end, start_unit
from conftest import require
from plugin_run import pytest_run

PAGE = ROOT / "docs" / "benches.md"


def test_units_side_by_side(tmp_path: Path) -> None:
    units = [
        argument
        for n in (1, 2, 3)
        for argument in (
            "--unit",
            f"sim://H{n}" + ("?fault=pump_wear:0.8" if n == 2 else ""),
            "--serial",
            f"HEATHER-{n}",
        )
    ]
    quick = ("-k", "vacuum or pedal-", "-n", "2", "--dist", "loadgroup")
    done = pytest_run(tmp_path, *units, *quick, "--junitxml", "report.xml")
    assert done.returncode == 1, done.stdout + done.stderr
    cases = ElementTree.parse(tmp_path / "report.xml").getroot().findall(".//testcase")
    failed = {str(case.get("name")) for case in cases if case.find("failure") is not None}
    assert len(cases) >= 3 and len(cases) % 3 == 0
    assert failed and all("HEATHER-2" in name for name in failed)


def test_each_unit_wants_its_serial(tmp_path: Path) -> None:
    done = pytest_run(tmp_path, "--unit", "sim://a", "--unit", "sim://b", "--serial", "HEATHER-1")
    assert done.returncode != 0 and "give each --unit its --serial" in done.stdout + done.stderr


def free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


@pytest.fixture
def served(tmp_path: Path) -> Iterator[str]:
    """Address of a virtual unit behind a real ser2net (its RFC 2217 accepter)."""
    program = shutil.which("ser2net") or shutil.which("ser2net", path="/usr/sbin")
    require(program, "needs ser2net: run apt-get install ser2net")
    with ExitStack() as stack:
        unit = start_unit(tmp_path / "unit")
        stack.callback(end, unit)
        port = free_port()
        (tmp_path / "ser2net.yaml").write_text(
            "connection: &unit\n"
            f"  accepter: telnet(rfc2217),tcp(nodelay),127.0.0.1,{port}\n"
            f"  connector: serialdev,{unit.port},115200n81,local\n"
            "  options:\n"
            "    kickolduser: true\n"
            "    chardelay: false\n"
        )
        server = subprocess.Popen([str(program), "-n", "-c", str(tmp_path / "ser2net.yaml"), "-d"])
        stack.callback(server.wait, 10)
        stack.callback(server.kill)
        until = time.monotonic() + 30  # a guard against a hang only: it listens within half a second
        while time.monotonic() < until:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)
        # A pseudo-terminal has no modem lines to control; a real port needs no such word.
        yield f"rfc2217://127.0.0.1:{port}?ign_set_control"


def test_a_unit_behind_a_serial_port_server(served: str) -> None:
    # RFC 2217, spoken by pyserial on one side and by ser2net on the other.
    with Client.open(served) as unit:
        assert unit.greeting.board == "virtual"
        unit.set({"unit.serial": "HEATHER-07", "preset3.strength_pct": 65})
        assert unit.get("unit.serial") == {"unit.serial": "HEATHER-07"}
        unit.stream(10, "vacuum.kpa")
        readings = [event for event in unit.events(1.0) if event.topic == "reading"]
        unit.stream(0)
    assert 60 <= len(readings) <= 120
    shown = airquill("show", "--port", served, "--json")
    assert shown.code == 0 and "virtual" in shown.out
    lost = airquill("show", "--port", f"rfc2217://127.0.0.1:{free_port()}")
    assert lost.code == 3 and "Traceback" not in lost.err and lost.err.strip()


def test_the_page_has_a_sound_workflow() -> None:
    blocks = PAGE.read_text().split("```yaml\n")[1:]
    workflow = next(block.split("```")[0] for block in blocks if "jobs:" in block)
    steps = yaml.safe_load(workflow)["jobs"]["acceptance"]["steps"]
    said = "\n".join(step.get("run", "") for step in steps)
    assert "pytest --pyargs airquill_hil --unit sim://" in said and "airquill accept" in said
