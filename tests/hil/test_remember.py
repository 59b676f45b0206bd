"""Which runs leave a baseline in the unit, and what stands in it."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.simulator.control import Control
from airquill.tuning.baseline import SETTING, Baseline
from airquill.tuning.hands import ControlHands, control_of
from airquill_hil.bench import Bench
from airquill_hil.check import Check, Measured
from airquill_hil.checks import CHECKS
from airquill_hil.limits import load_limits
from airquill_hil.record import Record
from airquill_hil.remember import FIGURES
from airquill_hil.rig import VirtualRig
from airquill_hil.run import run

SERIAL = "HEATHER-07"
OLD = "2020-01-01 22G sealed_kpa=60"
# The air alone, which is all that a baseline is made of.
AIR = tuple(check for check in CHECKS if check.name in ("vacuum", "decay", "vent"))


def bench_at(url: str = "sim://", altitude_m: float = 0.0, keep: str = "") -> tuple[Bench, Control]:
    unit = Client.open(url)
    unit.set({"unit.serial": SERIAL, SETTING: keep}, keep=True)
    control = control_of(unit)
    assert control is not None
    return Bench(unit, load_limits(), ControlHands(control), SERIAL, altitude_m, VirtualRig(control)), control


def kept(bench: Bench) -> str:
    return str(bench.unit.get(SETTING)[SETTING])


def figures(record: Record) -> dict[str, float]:
    return {one.name: float(one.value or 0) for check in record.checks for one in check.figures if one.name in FIGURES}


def test_an_accepted_unit_keeps_its_figures_over_a_power_cut() -> None:
    bench, control = bench_at(keep=OLD)
    record = run(bench, checks=AIR)
    assert record.verdict == "accepted"
    control.power_cut()
    control.power_up()
    bench.unit.wait_for_restart(5)
    baseline = Baseline.of_text(kept(bench))
    assert baseline is not None and kept(bench) == record.baseline
    assert baseline.day == datetime.now(UTC).strftime("%Y-%m-%d") and baseline.needle_gauge == 22
    assert set(baseline.figures) == set(FIGURES)
    assert baseline.figures == pytest.approx(figures(record), rel=0.006, abs=1e-4)  # three digits


def test_levels_are_as_at_sea_level() -> None:
    # ISO 2533: 95.461 kPa at 500 m; the virtual unit itself stands at sea level.
    there, here = (Baseline.of_text(run(bench_at(altitude_m=m)[0], checks=AIR[:1]).baseline) for m in (500, 0))
    assert here is not None and there is not None
    for name in ("sealed_kpa", "open_kpa"):
        assert there.figures[name] == pytest.approx(here.figures[name] * 101.325 / 95.461, rel=0.01)


def gone(_bench: Bench) -> Measured:
    raise AirquillError("The rig came off.")


@pytest.mark.parametrize("what", ["rejected", "partial", "error"])
def test_any_other_run_leaves_the_unit_what_it_had(what: str) -> None:
    bench, control = bench_at(keep=OLD)
    if what == "rejected":
        control.fault("pump_wear", 0.8)
    checks = (*AIR, Check("gone", "Gone", (), (), gone)) if what == "error" else AIR
    record = run(bench, checks=checks, whole=what != "partial")
    assert record.verdict == what
    assert record.baseline == "" and kept(bench) == OLD


def test_settings_that_were_never_saved_are_not_saved_along() -> None:
    bench, _ = bench_at(keep=OLD)
    bench.unit.set({"pump.idle_pct": 33})
    record = run(bench, checks=AIR)
    assert record.verdict == "accepted" and record.baseline == ""
    assert "never saved" in record.sentence
    bench.unit.do("restart")
    bench.unit.wait_for_restart(5)
    assert kept(bench) == OLD
    assert bench.unit.get("pump.idle_pct")["pump.idle_pct"] != 33


def test_a_flash_that_takes_nothing_is_said() -> None:
    bench, control = bench_at("sim://?seed=4", keep=OLD)
    control.fault("flash_wear", 1)  # with this seed the record gets a wrong bit
    record = run(bench, checks=AIR[1:2])
    assert record.baseline == "" and "It keeps no baseline. The flash" in record.sentence
    assert kept(bench) == OLD
