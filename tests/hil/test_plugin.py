"""The checks by pytest, in a run of its own, and the report of it."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path

from plugin_run import pytest_run


def test_checks_are_tests(tmp_path: Path) -> None:
    done = pytest_run(tmp_path, "--unit", "sim://", "--junitxml", "report.xml")
    assert done.returncode == 0, done.stdout
    cases = ElementTree.parse(tmp_path / "report.xml").getroot().findall(".//testcase")
    skipped = [case.get("name") for case in cases if case.find("skipped") is not None]
    assert len(cases) == 20 and skipped == ["test_unit[identity]"]  # nobody told the label's serial


def test_a_faulty_unit_fails_with_figure_and_limits(tmp_path: Path) -> None:
    done = pytest_run(tmp_path, "--unit", "sim://?fault=pump_wear:0.8")
    assert done.returncode == 1
    assert "sealed_kpa fail" in done.stdout and "wanted at least 50 kPa" in done.stdout


def test_no_unit_is_said(tmp_path: Path) -> None:
    assert "needs a unit: --unit URL" in pytest_run(tmp_path).stdout
    done = pytest_run(tmp_path, "--unit", str(tmp_path / "tty"))
    assert done.returncode == 3 and "There is no port" in done.stdout + done.stderr
