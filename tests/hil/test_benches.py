"""Many benches: units side by side, a unit behind a serial port server, and what docs/benches.md tells."""

from __future__ import annotations

import shlex
import subprocess
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from airquill.link.client import Client
from airquill_hil.book import Book
from airquill_hil.record import Record
from command_line import AIRQUILL, ENVIRONMENT, ROOT, airquill, end, start_unit
from plugin_run import pytest_run
from servers import free_port, ser2net

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
    quick = ("-k", "supply or vacuum or pedal or key or vent", "-n", "2")
    done = pytest_run(tmp_path, *units, *quick, "--junitxml", "report.xml", "--out", "records")
    assert done.returncode == 1, done.stdout + done.stderr
    cases = ElementTree.parse(tmp_path / "report.xml").getroot().findall(".//testcase")
    failed = {str(case.get("name")) for case in cases if case.find("failure") is not None}
    assert len(cases) >= 3 and len(cases) % 3 == 0
    assert failed and all("HEATHER-2" in name for name in failed)
    with Book(tmp_path / "records/book.sqlite") as book:
        verdicts = sorted((record.serial, record.verdict) for record in book.records() if isinstance(record, Record))
    # One record each: all checks of a unit are one run, in one process.
    assert verdicts == [("HEATHER-1", "partial"), ("HEATHER-2", "rejected"), ("HEATHER-3", "partial")]
    assert "HEATHER-2: rejected." in done.stdout


def test_each_unit_wants_its_serial(tmp_path: Path) -> None:
    done = pytest_run(tmp_path, "--unit", "sim://a", "--unit", "sim://b", "--serial", "HEATHER-1")
    assert done.returncode != 0 and "give each --unit its --serial" in done.stdout + done.stderr


@pytest.fixture
def served(tmp_path: Path) -> Iterator[str]:
    """Address of a virtual unit behind a real ser2net (its RFC 2217 accepter)."""
    unit = start_unit(tmp_path / "unit")
    try:
        with ser2net(tmp_path, unit.port, "rfc2217") as port:
            # A pseudo-terminal has no modem lines to control; a real port needs no such word.
            yield f"rfc2217://127.0.0.1:{port}?ign_set_control"
    finally:
        end(unit)


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


def test_the_workflow_of_the_page_does_what_it_says(tmp_path: Path) -> None:
    blocks = PAGE.read_text().split("```yaml\n")[1:]
    workflow = next(block.split("```")[0] for block in blocks if "jobs:" in block)
    job = yaml.safe_load(workflow)["jobs"]["acceptance"]
    (tmp_path / "bin").mkdir()
    program = tmp_path / "bin/airquill"
    program.write_text(f'#!/bin/sh\nexec {shlex.join(AIRQUILL)} "$@"\n')
    program.chmod(0o755)
    (tmp_path / "limits.toml").write_bytes((ROOT / "hil/airquill_hil/limits.toml").read_bytes())
    environment = {**ENVIRONMENT, **job["env"], "PATH": f"{program.parent}:{ENVIRONMENT['PATH']}"}
    steps = [step["run"] for step in job["steps"] if "run" in step]
    assert steps[0] == "pip install ."  # done already
    for step in steps[1:]:
        done = subprocess.run(
            ["sh", "-ec", step], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr
    assert "Accepted." in done.stdout
    assert {path.suffix for path in (tmp_path / "records").glob("HEATHER-07*")} == {".json", ".html", ".xml"}
