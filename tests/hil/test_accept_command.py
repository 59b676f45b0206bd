"""`airquill accept`: exit codes, progress, files; and over a real pseudo-terminal, also when the unit goes away."""

from __future__ import annotations

import os
import re
import signal
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

import airquill.simulator as airquill_simulator
from airquill.link.client import Client
from airquill.simulator.control import Control
from airquill.simulator.units import control
from airquill.tuning.hands import ControlHands, control_of
from airquill_hil.bench import Bench
from airquill_hil.checks import CHECKS
from airquill_hil.limits import load_limits
from airquill_hil.record import Record
from airquill_hil.run import run
from command_line import Running, airquill, end, start_unit

URL = "sim://accepted"
ONLY = ("--only", "vacuum", "--only", "pedal", "--only", "key")


@pytest.fixture(autouse=True)
def fresh() -> Iterator[None]:
    airquill_simulator.reset()
    yield
    airquill_simulator.reset()


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    running = start_unit(tmp_path_factory.mktemp("unit"))
    yield running
    end(running)


def labelled() -> None:
    airquill("set", "unit.serial=HEATHER-07", "--keep", "--port", URL).done()


def test_an_accepted_unit_leaves_record_and_page(tmp_path: Path) -> None:
    labelled()
    said = airquill("accept", "--port", URL, "--serial", "HEATHER-07", "--operator", "Ada", "--out", tmp_path).done()
    lines = said.splitlines()
    assert [line.split()[0] for line in lines if not line.startswith(" ")][: len(CHECKS)] == [
        "skipped" if check.only_with else "pass" for check in CHECKS
    ]
    assert f"Accepted. All {len(CHECKS) - 1} checks passed." in said
    record = Record.model_validate_json(next(tmp_path.glob("*.json")).read_text())
    assert (record.serial, record.operator, record.verdict) == ("HEATHER-07", "Ada", "accepted")
    page = next(tmp_path.glob("*.html")).read_text()
    assert page.count("<svg ") == 3 and "HEATHER-07" in page and "accepted" in page
    assert record.baseline in said and record.baseline in page
    with Client.open(URL) as client:
        assert client.get("unit.baseline")["unit.baseline"] == record.baseline


def test_json_is_the_record(tmp_path: Path) -> None:
    labelled()
    answer = airquill("accept", "--port", URL, "--serial", "HEATHER-07", "--out", tmp_path, "--json")
    assert answer.code == 0
    assert Record.model_validate(answer.json).verdict == "accepted"


def test_a_rejected_unit_names_figure_limits_and_reason(tmp_path: Path) -> None:
    labelled()
    control(URL).fault("hose_leak", 0.9)
    answer = airquill("accept", "--port", URL, "--serial", "HEATHER-07", "--out", tmp_path)
    assert answer.code == 1
    assert re.search(r"sealed_kpa fail: [\d.]+ kPa, wanted at least 50 kPa, guard 1 kPa\. Enough vacuum", answer.out)
    assert "Rejected." in answer.out


def test_the_wrong_unit_on_the_bench_is_rejected(tmp_path: Path) -> None:
    labelled()
    answer = airquill("accept", "--port", URL, "--serial", "HEATHER-08", "--out", tmp_path)
    assert answer.code == 1
    assert "The label says HEATHER-08, the unit HEATHER-07." in answer.out


def test_without_the_label_the_verdict_is_partial(tmp_path: Path) -> None:
    answer = airquill("accept", "--port", URL, "--out", tmp_path)
    assert answer.code == 1
    assert "Partial." in answer.out and "--serial" in answer.out


def test_chosen_checks_alone_never_accept(tmp_path: Path) -> None:
    labelled()
    answer = airquill("accept", "--port", URL, "--serial", "HEATHER-07", "--out", tmp_path, "--only", "valve")
    assert answer.code == 1
    assert "Partial." in answer.out and "The others were not run." in answer.out
    assert "hold_pct" in answer.out and "sealed_kpa" not in answer.out
    assert "power" in airquill("accept", "--port", URL, "--out", tmp_path, "--only", "nonsense").sentences(2)


def test_bad_input(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    assert "file" in airquill("accept", "--port", URL, "--out", tmp_path / "file").sentences(2)
    assert "no.toml" in airquill("accept", "--port", URL, "--limits", tmp_path / "no.toml").sentences(2)
    assert "altitude" in airquill("accept", "--port", URL, "--altitude", "20000", "--out", tmp_path / "r").sentences(2)
    assert "There is no port" in airquill("accept", "--port", tmp_path / "tty", "--out", tmp_path / "r").sentences(3)


def test_over_a_terminal_a_unit_without_vacuum_is_rejected(unit: Running, tmp_path: Path) -> None:
    airquill("set", "unit.serial=HEATHER-07", "--keep", "--port", unit.port).done()
    with Control.at(unit.folder / "control") as hand:
        hand.fault("valve_stuck_shut", 1.0)
        answer = airquill("accept", "--port", unit.port, "--serial", "HEATHER-07", "--out", tmp_path, *ONLY)
        hand.fault("valve_stuck_shut", 0.0)
        outputs = hand.outputs()
    assert answer.code == 1
    outcomes = {line.split()[1]: line.split()[0] for line in answer.out.splitlines() if line and line[0] != " "}
    assert outcomes["Sealed"] == "fail" and outcomes["Pedals"] == "pass" and outcomes["Keys"] == "pass"
    assert outputs["pump"] == outputs["valve"] == 0


def test_ctrl_c_in_a_check_leaves_outputs_safe_and_a_record(unit: Running) -> None:
    with Client.open(unit.port) as client:
        hand = control_of(client)
        assert hand is not None
        bench = Bench(client, load_limits(), ControlHands(hand), "HEATHER-07")
        threading.Timer(1.5, os.kill, (os.getpid(), signal.SIGINT)).start()
        record = run(bench)
        assert record.verdict == "error" and "stopped" in record.sentence
        assert hand.outputs()["pump"] == hand.outputs()["valve"] == 0
        hand.close()


def test_a_unit_that_goes_away_is_an_error_of_the_bench(tmp_path: Path) -> None:
    running = start_unit(tmp_path / "unit")
    with Client.open(running.port) as client:
        hand = control_of(client)
        assert hand is not None
        threading.Timer(1.5, running.process.terminate).start()
        record = run(Bench(client, load_limits(), ControlHands(hand), "HEATHER-07"))
        hand.close()
    end(running)
    assert record.verdict == "error"
    assert "Its outputs may be on" in record.sentence
    assert record.sentence.count(" was lost") == 1
