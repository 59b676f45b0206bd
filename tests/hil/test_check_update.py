"""The check of an update, on a unit whose firmware stands in files: it passes, and figures fail under their faults."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from airquill.image.update import keep
from airquill.link.client import Client
from airquill.tuning.hands import ControlHands, control_of
from airquill_hil import check_trouble
from airquill_hil.bench import Bench
from airquill_hil.checks import CHECKS
from airquill_hil.faults import injected
from airquill_hil.limits import Outcome, load_limits
from airquill_hil.record import CheckRecord
from airquill_hil.rig import VirtualRig
from airquill_hil.run import run_check
from command_line import Running, end, start_unit

CHECK = next(check for check in CHECKS if check.name == "update")
assert [one for one in CHECKS if one.only_with] == [CHECK]


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    running = start_unit(tmp_path_factory.mktemp("unit"))
    yield running
    end(running)


def checked(port: str, fault: str = "") -> CheckRecord:
    with Client.open(port) as client:
        control = control_of(client)
        assert control is not None
        bench = Bench(client, load_limits(), ControlHands(control), "", 0.0, VirtualRig(control))
        assert "saved" in bench.capabilities()  # asked before the fault
        try:
            if not fault:
                return run_check(bench, CHECK)
            with injected(fault, client, control):
                return run_check(bench, CHECK)
        finally:
            bench.safe()
            client.do("restart")
            client.wait_for_restart(20)
            for name in control.faults():
                control.fault(name, 0.0)
            control.close()


def test_a_sound_unit_is_updated_and_comes_back(unit: Running) -> None:
    before = unit.settings()
    record = checked(unit.port)
    assert {figure.outcome for figure in record.figures} == {Outcome.PASS}, record
    with Client.open(unit.port) as client:
        assert client.request("files", "slot") == ["slot=a", "trial=off"]
        assert client.all_settings() == before


def test_a_run_that_is_stopped_goes_back_to_the_version_before(unit: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = iter(range(10))

    def stopped(client: Client) -> None:
        if next(calls) == 0:  # the other version runs, on trial
            raise KeyboardInterrupt
        keep(client)

    monkeypatch.setattr(check_trouble, "keep", stopped)
    assert checked(unit.port).outcome is Outcome.ERROR
    with Client.open(unit.port) as client:
        assert client.request("files", "slot") == ["slot=a", "trial=off"]


@pytest.mark.slow
@pytest.mark.timeout(240)
@pytest.mark.parametrize("fault", dict.fromkeys(figure.fault for figure in CHECK.figures))
def test_figures_fail_under_their_fault(unit: Running, fault: str) -> None:
    found = {figure.name: figure.outcome for figure in checked(unit.port, fault).figures}
    named = {figure.name for figure in CHECK.figures if figure.fault == fault}
    assert {found[name] for name in named} == {Outcome.FAIL}, found
