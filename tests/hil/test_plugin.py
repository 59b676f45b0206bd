"""The checks by pytest, in a run of its own: reports, record, exit code; it is the same run as `airquill accept`'s."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import pytest

from airquill_hil.book import Book
from airquill_hil.checks import CHECKS
from airquill_hil.limits import Outcome
from airquill_hil.record import Record, read_record
from command_line import Running, airquill, end, start_unit
from plugin_run import pytest_run

SERIAL = "HEATHER-07"


@pytest.fixture
def url(tmp_path: Path) -> str:
    """A unit with a serial, which lasts in its flash file."""
    url = f"sim://?flash={tmp_path / 'unit.flash'}"
    airquill("set", "--keep", f"unit.serial={SERIAL}", "--port", url).done()
    return url


def record_in(folder: Path) -> Record:
    return read_record(next(folder.glob("*.json")))


def test_an_accepted_unit_leaves_what_accept_leaves(url: str, tmp_path: Path) -> None:
    told = ("--operator", "Ada", "--station", "bench 2", "--pump-lot", "P-12", "--altitude", "100")
    done = pytest_run(
        tmp_path, "--unit", url, "--serial", SERIAL, "--out", "by_pytest", *told, "--junitxml", "report.xml"
    )
    assert done.returncode == 0, done.stdout
    assert f"{SERIAL}: accepted." in done.stdout and "Record: by_pytest/" in done.stdout
    cases = ElementTree.parse(tmp_path / "report.xml").getroot().findall(".//testcase")
    assert len(cases) == len(CHECKS)
    skipped = [case.get("name") for case in cases if case.find("skipped") is not None]
    assert skipped == ["test_unit[update]"]  # a unit in this process has no firmware in files

    by_pytest = record_in(tmp_path / "by_pytest")
    with Book(tmp_path / "by_pytest" / "book.sqlite") as book:
        assert [record.id for record in book.records()] == [by_pytest.id]
    assert {path.suffix for path in (tmp_path / "by_pytest").glob(f"{SERIAL}*")} == {".json", ".html", ".xml"}
    assert by_pytest.baseline
    answer = airquill("accept", "--port", url, "--serial", SERIAL, "--out", tmp_path / "by_accept", *told)
    assert answer.code == 0
    by_accept = record_in(tmp_path / "by_accept")
    assert comparable(by_pytest) == comparable(by_accept)


def comparable(record: Record) -> dict[str, Any]:
    """All of a record but what differs from one run to the next: identity, time, starts, values and traces."""
    said = record.model_dump(mode="json", exclude={"id", "started", "ended", "baseline"})
    said["unit"].pop("boots")
    for check in said["checks"]:
        check.pop("traces")
        for figure in check["figures"]:
            for name in ("value", "shown", "note"):
                figure.pop(name)
    return dict(said)


def test_a_faulty_unit_fails_with_figure_and_limits(tmp_path: Path) -> None:
    done = pytest_run(tmp_path, "--unit", "sim://?fault=pump_wear:0.8")
    assert done.returncode == 1
    assert "sealed_kpa fail" in done.stdout and "wanted at least 50 kPa" in done.stdout
    assert "rejected. Failed: sealed and open vacuum" in done.stdout
    assert not list(tmp_path.iterdir()), "nothing is written that was not asked for"


def test_some_checks_alone_never_accept(url: str, tmp_path: Path) -> None:
    done = pytest_run(tmp_path, "--unit", url, "--serial", SERIAL, "-k", "vacuum or valve")
    assert done.returncode == 1
    assert "partial. All 2 checks passed. The others were not run." in done.stdout


def test_no_unit_is_said(tmp_path: Path) -> None:
    assert "needs a unit: --unit URL" in pytest_run(tmp_path).stdout
    done = pytest_run(tmp_path, "--unit", str(tmp_path / "tty"))
    assert done.returncode == 3 and "There is no port" in done.stdout + done.stderr


def test_bad_input_is_said_before_the_unit_is_touched(url: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for arguments, word in (
        (("--out", "file"), "folder for records"),
        (("--limits", "no.toml"), "no.toml"),
        (("--rig", "sim://other"), "is a unit, not a rig"),
    ):
        done = pytest_run(tmp_path, "--unit", url, *arguments)
        assert done.returncode == 2 and word in done.stdout + done.stderr, done.stdout


def test_one_rig_for_several_units_is_refused(tmp_path: Path) -> None:
    done = pytest_run(tmp_path, "--unit", "sim://a", "--unit", "sim://b", "--rig", "sim://c")
    assert done.returncode != 0 and "One rig cannot hold several units" in done.stdout + done.stderr


@pytest.fixture
def running(tmp_path: Path) -> Running:
    return start_unit(tmp_path / "unit")


def test_a_unit_that_goes_away_ends_the_run_as_an_error(running: Running, tmp_path: Path) -> None:
    (tmp_path / "conftest.py").write_text(
        "import os, signal\n"
        "def pytest_runtest_setup(item):\n"
        f"    if 'fail_safe' in item.name: os.kill({running.process.pid}, signal.SIGTERM)\n"
    )
    chosen = ("-p", "conftest", "-k", "identity or fail_safe or link")
    done = pytest_run(tmp_path, "--unit", running.port, "--out", "records", *chosen)
    end(running)
    assert done.returncode == 3, done.stdout
    record = record_in(tmp_path / "records")
    assert record.verdict == "error" and "Its outputs may be on" in record.sentence
    assert record.checks[-1].outcome is Outcome.ERROR
