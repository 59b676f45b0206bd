"""The checkup of a unit: its figures are those that the bench measures, and the unit is left as it was."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.simulator.control import Control
from airquill.tuning.checkup import Checkup, read_checkup, run_checkup
from airquill.tuning.hands import ControlHands, control_of
from airquill.tuning.sequence import AIR_FIGURES, SEQUENCE
from airquill.tuning.tool import Tool
from airquill_hil.bench import Bench
from airquill_hil.checks import CHECKS
from airquill_hil.limits import load_limits
from airquill_hil.run import run_check


def tool_at(url: str) -> tuple[Tool, Control]:
    unit = Client.open(url)
    control = control_of(unit)
    assert control is not None
    return Tool(unit, ControlHands(control)), control


def test_its_figures_are_those_of_the_bench_and_it_takes_less_than_two_minutes() -> None:
    tool, control = tool_at("sim://")
    begun = tool.unit.port.now()
    found = run_checkup(tool, 22, 0.0).figures
    assert tool.unit.port.now() - begun < 120
    bench = Bench(tool.unit, load_limits(), ControlHands(control))
    named = ("vacuum", "decay", "vent")
    measured = {
        figure.name: figure.value
        for check in CHECKS
        if check.name in named
        for figure in run_check(bench, check).figures
    }
    close = {"sealed_kpa": 0.3, "open_kpa": 0.3, "pull_down_s": 0.02, "decay_kpa_s": 0.4, "vent_ms": 4, "let_go_ms": 6}
    assert measured.keys() == close.keys()
    for name, value in measured.items():
        assert found[name] == pytest.approx(value, abs=close[name]), name


def test_levels_are_as_at_sea_level() -> None:
    tool, _ = tool_at("sim://")
    here = run_checkup(tool, 22, 0.0).figures
    there = run_checkup(tool, 22, 1000.0).figures
    # ISO 2533: 89.875 kPa at 1000 m
    assert there["sealed_kpa"] == pytest.approx((here["sealed_kpa"] or 0) * 101.325 / 89.875, rel=2e-3)


@pytest.fixture(params=["whole", "interrupted"])
def left(request: pytest.FixtureRequest) -> Iterator[tuple[Tool, Control, dict[str, object]]]:
    tool, control = tool_at("sim://")
    tool.unit.set({"control.mode": "two_level", "sensor.filter_ms": 40, "pump.floor_pct": 25})
    before = dict(tool.unit.all_settings())
    if request.param == "whole":
        run_checkup(tool, 22, 0.0)
    else:

        def stop_at_the_second_decay(step: str) -> None:
            if step.startswith("Decay, sealed again"):
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            run_checkup(tool, 22, 0.0, stop_at_the_second_decay)
    yield tool, control, before


def test_a_unit_is_left_as_it_was(left: tuple[Tool, Control, dict[str, object]]) -> None:
    tool, control, before = left
    assert tool.unit.all_settings() == before
    assert tool.unit.get("cycle.state", "fault.active") == {"cycle.state": "idle", "fault.active": 0}
    outputs = control.outputs()
    assert outputs["pump"] == outputs["valve"] == 0
    assert tool.left_unsafe == ""


def test_without_a_sensor_pedals_and_supply_are_measured() -> None:
    tool, _ = tool_at("sim://?sensor=off")
    found = run_checkup(tool, 22, 0.0)
    assert not found.traces and all(found.figures[name] is None for name in AIR_FIGURES)
    assert found.figures["supply_v"] == pytest.approx(12, abs=0.02)
    assert found.figures["pedal1_missed"] == 0
    assert any("No vacuum sensor" in note for note in found.notes)


def test_without_hands_only_the_open_tip_is_measured() -> None:
    tool, _ = tool_at("sim://")
    found = run_checkup(Tool(tool.unit), 22, 0.0)
    assert set(found.traces) == {pick.name for pick in SEQUENCE if not pick.sealed}
    assert found.figures["open_kpa"] is not None and found.figures["sealed_kpa"] is None


def test_a_unit_that_sends_no_readings_is_not_judged() -> None:
    tool, _ = tool_at("sim://")
    tool.unit.stream = lambda *_: None  # type: ignore[method-assign]
    with pytest.raises(AirquillError, match="sent 0 readings"):
        run_checkup(tool, 22, 0.0)


@pytest.mark.parametrize(("fault", "word"), [("sensor_dead:1", "sensor_range"), ("supply_sag:0.6", "supply_low")])
def test_a_fault_that_stops_the_unit_is_named(fault: str, word: str) -> None:
    tool, _ = tool_at(f"sim://?fault={fault}")
    tool.unit.port.sleep(6)
    found = run_checkup(tool, 22, 0.0)
    assert found.stopped_by == word
    assert not found.traces


def test_a_file_and_back() -> None:
    tool, _ = tool_at("sim://")
    found = run_checkup(tool, 22, 0.0)
    assert read_checkup(found.model_dump_json(), "a file") == found


@pytest.mark.parametrize("text", ["", "{}", '{"format": 1, "day": 3}', "[]"])
def test_anything_else_is_no_checkup(text: str) -> None:
    with pytest.raises(AirquillError, match="is no checkup"):
        read_checkup(text, "mine.json")


def test_a_newer_format_is_refused() -> None:
    newer = Checkup(format=2, day="2026-11-25", chip="x", needle_gauge=22, altitude_m=0, figures={})
    with pytest.raises(AirquillError, match="format 2"):
        read_checkup(newer.model_dump_json(), "mine.json")
