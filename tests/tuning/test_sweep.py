"""The guided measurement of a virtual unit: what it finds, and that the unit is as it was however it ends."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from typing import Any

import pytest

import airquill.simulator as airquill_simulator
from airquill.errors import AirquillError
from airquill.link.client import LinkLost
from airquill.simulator.control import Control
from airquill.tuning.gauge_reading import GaugeReader, read_kpa
from airquill.tuning.hands import ControlHands
from airquill.tuning.readers import ReferenceReader, SensorReader
from airquill.tuning.sweep import Sweep
from airquill.tuning.tool import Tool
from airquill_hil.rig import VirtualRig
from tuning.tuned import measured, tool_at

OWN: dict[str, Any] = {
    "pump.idle_pct": 45,
    "sensor.filter_ms": 25,
    "preset3.name": "Heather",
    "pedal2.tap_keys": b"\x11\x00\x04",
}
"""Settings of the owner's, not saved, that must still run afterwards."""


@pytest.fixture
def url() -> Iterator[str]:
    airquill_simulator.reset()
    yield "sim://heather"
    airquill_simulator.reset()


def test_it_finds_what_the_unit_is_made_of() -> None:
    found = measured()
    # pneumatics/pump.py: stalls below 28 %, starts at 50 %
    assert (found.stalls_pct, found.runs_pct) in ((27.0, 28.0), (28.0, 29.0))
    assert found.starts_pct in (50.0, 51.0)
    assert found.kick_ms is not None
    assert found.noise_kpa == pytest.approx(0.1, abs=0.03)
    assert [one.kind for one in found.recordings].count("pull-down") == 3
    open_kpa = {level.duty: level.kpa for level in found.levels if not level.sealed}
    assert all(more > less for less, more in itertools.pairwise(open_kpa[duty] for duty in sorted(open_kpa)))


def owned(tool: Tool) -> dict[str, Any]:
    """Give the unit settings and a strength of its owner's, unsaved; returns all that must be the same afterwards."""
    tool.unit.set(OWN)
    tool.unit.do("strength", 63)
    return state(tool)


def state(tool: Tool) -> dict[str, Any]:
    unit = tool.unit
    return {
        **unit.all_settings(),
        **unit.get("preset.strength_pct", "settings.unsaved", "fault.active", "cycle.state", "pump.duty_pct"),
    }


def at_rest(control: Control) -> None:
    assert control.outputs()["pump"] == 0
    assert control.outputs()["valve"] == 0
    assert control.drives() == []


def test_a_whole_run_leaves_the_unit_as_it_was(url: str) -> None:
    tool, control = tool_at(url)
    before = owned(tool)
    writes = control.flash()["writes"]
    Sweep(tool, SensorReader(tool.unit), [22]).run()
    assert state(tool) == before
    # the log's own note of the stop at the end, and no record of settings
    assert control.flash()["writes"] <= writes + 1
    at_rest(control)
    assert not any(any(report) for _, report in control.reports())


@pytest.mark.parametrize(
    ("read", "how"),
    [(3, KeyboardInterrupt), (200, KeyboardInterrupt), (900, AirquillError), (1400, KeyboardInterrupt)],
)
def test_broken_off_anywhere_the_unit_is_as_it_was(
    url: str, monkeypatch: pytest.MonkeyPatch, read: int, how: Any
) -> None:
    tool, control = tool_at(url)
    before = owned(tool)
    at_read(monkeypatch, tool, read, how("Stopped here."))
    with pytest.raises(how):
        Sweep(tool, SensorReader(tool.unit), [22]).run()
    assert state(tool) == before
    at_rest(control)


def at_read(monkeypatch: pytest.MonkeyPatch, tool: Tool, read: int, error: BaseException, times: int = 1) -> None:
    """Raise at the n-th line that is read, on this opening of the port."""
    port = tool.unit.port
    plain: Callable[[float], bytes | None] = port.read_line
    count = itertools.count(1)

    def read_line(seconds: float) -> bytes | None:
        if read <= next(count) < read + times:
            raise error
        return plain(seconds)

    monkeypatch.setattr(port, "read_line", read_line)


@pytest.mark.parametrize("read", [60, 1500])
def test_unplugged_and_plugged_in_again_it_gets_its_settings_back(
    url: str, monkeypatch: pytest.MonkeyPatch, read: int
) -> None:
    tool, control = tool_at(url)
    before = owned(tool)
    at_read(monkeypatch, tool, read, LinkLost(url), times=10**9)
    with pytest.raises(LinkLost):
        Sweep(tool, SensorReader(tool.unit), [22]).run()
    control.sleep(3.5)  # the unit's own patience with a silent host
    assert state(tool) == before
    at_rest(control)


def test_unplugged_for_good_is_a_sentence(url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    tool, control = tool_at(url)
    at_read(monkeypatch, tool, 500, LinkLost(url), times=10**9)
    monkeypatch.setattr("airquill.tuning.kept._open_again", lambda unit: unit.port.sleep(0.5))
    with pytest.raises(AirquillError, match="nothing was saved: switch it off and on") as lost:
        Sweep(tool, SensorReader(tool.unit), [22]).run()
    assert lost.value.exit_code == 3
    control.sleep(4.0)
    assert control.outputs()["pump"] == 0
    assert control.outputs()["valve"] == 0


def test_a_power_cut_leaves_what_was_saved(url: str) -> None:
    tool, control = tool_at(url)
    tool.unit.set({"pump.idle_pct": 45}, keep=True)
    saved = tool.unit.all_settings()

    def cut(what: str, _share: float) -> None:
        if what == "Tip open, 60 %":
            control.power_cut()
            control.power_up()

    with pytest.raises(AirquillError):
        Sweep(tool, SensorReader(tool.unit), [22], on_step=cut).run()
    assert tool.unit.all_settings() == saved
    assert control.outputs()["valve"] == 0


class Clumsy(ControlHands):
    """Seals the tip at the n-th try only."""

    def __init__(self, control: Control, misses: int) -> None:
        super().__init__(control)
        self._misses = misses
        self.tries = 0

    def seal_tip(self) -> None:
        self.tries += 1
        if self.tries > self._misses:
            super().seal_tip()


@pytest.mark.parametrize("misses", [2, 3])
def test_a_tip_that_is_not_sealed_is_asked_for_again(url: str, misses: int) -> None:
    tool, control = tool_at(url)
    hands, said = Clumsy(control, misses), list[str]()
    tool = Tool(tool.unit, hands)
    before = owned(tool)
    sweep = Sweep(tool, SensorReader(tool.unit), [22], tell=said.append)
    if misses == 2:
        assert any(level.sealed for level in sweep.run().levels)
        assert [line.endswith("Once more.") for line in said] == [True, True]
    else:
        with pytest.raises(AirquillError, match="not sealed in three tries") as refused:
            sweep.run()
        assert refused.value.exit_code == 1
        assert hands.tries == 3
        assert all("The tip is not sealed" in line for line in said)
    assert state(tool) == before


@pytest.mark.parametrize("fault", ["valve_stuck_shut:1", "pump_stall:1&supply=11.4"])
def test_a_pump_that_never_starts_is_a_sentence(fault: str) -> None:
    tool, _ = tool_at(f"sim://?fault={fault}")
    before = owned(tool)
    with pytest.raises(AirquillError, match="the pump does not start, the valve does not pull in") as refused:
        Sweep(tool, SensorReader(tool.unit), [22]).run()
    assert refused.value.exit_code == 1
    assert state(tool) == before


def test_a_fine_needle_on_a_leaking_tool_is_told_from_an_open_tip() -> None:
    """Seal and needle are compared, so a tool that leaks less than the needle passes is still measured."""
    tool, _ = tool_at("sim://?needle=25&fault=hose_leak:0.02")
    found = Sweep(tool, SensorReader(tool.unit), [25]).run()
    assert any(level.sealed for level in found.levels)


def test_a_rigs_sensor_serves_a_unit_without_one() -> None:
    tool, control = tool_at("sim://?sensor=off")
    found = Sweep(tool, ReferenceReader(tool.unit, VirtualRig(control)), [22]).run()
    assert found.source == "rig"
    sealed = next(level.kpa for level in found.levels if level.sealed and level.duty == 1.0)
    seen = next(level.kpa for level in measured().levels if level.sealed and level.duty == 1.0)
    assert sealed == pytest.approx(seen, abs=0.3)
    assert len(found.recordings) == 7
    assert found.runs_pct == measured().runs_pct


def test_a_gauge_is_read_by_a_person() -> None:
    tool, control = tool_at("sim://?sensor=off")
    before = owned(tool)
    asked = list[str]()

    def answer(question: str) -> str:
        asked.append(question)
        if len(asked) == 1:
            return "I cannot see it"
        control.sleep(2.0)
        return f"{control.truth()['pen_kpa']:.0f} kPa"

    said = list[str]()
    found = Sweep(tool, GaugeReader(answer, said.append), [22]).run()
    assert found.source == "gauge"
    assert found.recordings == []
    assert found.kick_ms is None
    assert found.runs_pct == 30.0
    assert any("type a number" in line for line in said)
    assert {level.sealed for level in found.levels} == {True, False}
    assert state(tool) == before


@pytest.mark.parametrize("answers", [[], ["none", "?", "-500"]])
def test_no_reading_of_the_gauge_is_a_sentence(answers: list[str]) -> None:
    tool, _ = tool_at("sim://?sensor=off")
    before = owned(tool)
    left = iter(answers)
    with pytest.raises(AirquillError, match="No reading of the gauge"):
        Sweep(tool, GaugeReader(lambda _question: next(left, None), lambda _said: None), [22]).run()
    assert state(tool) == before


@pytest.mark.parametrize(
    ("typed", "kpa"),
    [
        ("48.5", 48.5),
        ("48,5 kPa\n", 48.5),
        ("-61", 61.0),
        ("0", 0.0),
        *((text, None) for text in ("", "nan", "inf", "200", "1e400", "4 8")),
    ],
)
def test_what_a_person_types(typed: str, kpa: float | None) -> None:
    assert read_kpa(typed) == kpa


def test_a_bench_on_a_mountain_and_one_beyond(url: str) -> None:
    tool, _ = tool_at(url)
    with pytest.raises(AirquillError, match="No unit is tuned there"):
        Sweep(tool, SensorReader(tool.unit), [22], altitude_m=20000.0)


def test_a_stopped_unit_is_left_alone(url: str) -> None:
    tool, _ = tool_at(url)
    tool.unit.do("stop")
    with pytest.raises(AirquillError, match="stopped by a fault"):
        Sweep(tool, SensorReader(tool.unit), [22]).run()
    assert tool.unit.get("fault.active")["fault.active"] == 1
