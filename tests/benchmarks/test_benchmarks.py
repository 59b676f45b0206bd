"""Each benchmark runs, small, and computes what it says. How fast it is is printed for people; no test judges time."""

import re
import sys
from types import ModuleType

import numpy as np
import pytest

from airquill.pneumatics.vector import AirMany
from benchmarks import acceptance, commands, diagnosis, escapes, fit_coverage, link, physics, trend, unit

COMMIT = re.compile(r"^commit (unknown|[0-9a-f]{7,}(-dirty)?), Python \d", re.M)
RATIO = re.compile(r"\b\d+(\.\d+)? times")


def shown(
    module: ModuleType, arguments: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> str:
    """What a benchmark prints, which begins with how to run it again."""
    name = module.__name__.rpartition(".")[2] + ".py"
    monkeypatch.setattr(sys, "argv", [name, *arguments])
    module.main()
    out = capsys.readouterr().out
    assert out.startswith(" ".join(["command: python tests/benchmarks/" + name, *arguments]) + "\n")
    assert COMMIT.search(out), out
    return out


@pytest.mark.parametrize("tip", ["open", "sealed"])
def test_one_unit_and_many_compute_the_same(tip: str) -> None:
    """What is measured against each other ends at the same pressures."""
    one = physics.settled(tip)
    many = AirMany([one] * 3)
    for _ in range(100):
        one.step(physics.TICK_S)
        many.step(physics.TICK_S)
    assert one.pen_kpa > 20.0
    for name in ("pen_kpa", "line_kpa", "pump_kpa"):
        assert getattr(many, name) == pytest.approx(np.full(3, getattr(one, name)), abs=1e-7)


def test_the_solver_that_is_compared_errs_no_more() -> None:
    """Solutions by scipy's solve_ivp, the reference with narrow tolerances, and how far the air's own steps are off."""
    slope = physics.Equations()
    truth = physics.truth_of(slope)
    own, ticks, once = physics.against_solver()
    assert own.error_kpa == physics.off(physics.ours(), truth) < 0.3
    for way, rival in ((physics.by_ticks, ticks), (physics.at_once, once)):
        assert rival.error_kpa == physics.off(way(slope, rival.method, rival.rtol), truth) <= own.error_kpa
        assert rival.seconds > 0.0


def test_physics_prints_its_ratios(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    out = shown(physics, [], monkeypatch, capsys)
    assert len(RATIO.findall(out)) == 4, out


def test_a_whole_unit_picks_and_lives_through_a_day(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The benchmark itself counts the unit's picks; here with fewer of them."""
    monkeypatch.setattr(unit, "PICKING_S", 4)
    monkeypatch.setattr(unit, "BOARDS", 1)
    monkeypatch.setattr(unit, "DAY_S", 600)
    out = shown(unit, [], monkeypatch, capsys)
    assert re.search(r"^picking +\d+ virtual seconds per wall second, +\d+ per second of", out, re.M), out
    assert re.search(r"^a working day +\d+ virtual", out, re.M), out


def test_link_prints_rates_of_its_three_ways(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("AIRQUILL_STATE", "")  # the benchmark sets it; restored at the end
    out = shown(link, ["--requests", "5"], monkeypatch, capsys)
    rates = re.findall(r"^(.{22}) +(\d+) requests/s +median +(\d+\.\d+) ms", out, re.M)
    assert [name.strip() for name, _, _ in rates] == ["sim://, wall time", "sim://, virtual time", "pseudo-terminal"]
    assert all(int(rate) > 0 and float(median) > 0 for _, rate, median in rates)


def test_escapes_counts_every_unit(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    out = shown(escapes, ["--units", "3", "--seed", "1"], monkeypatch, capsys)
    counts = re.findall(r"(\d+) of (\d+) bad ones accepted, (\d+) of (\d+) good rejected", out)
    assert len(counts) == 2
    for escapes_, bad, overkill, good in counts:
        assert int(bad) + int(good) == 3
        assert int(escapes_) <= int(bad) and int(overkill) <= int(good)


def test_acceptance_accepts_the_unit_that_it_times(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = shown(acceptance, [], monkeypatch, capsys)
    assert re.search(r"^sim://: accepted, \d+\.\d s, \d+\.\d s of processor, \d+ s of the unit's time", out, re.M), out


def test_diagnosis_counts_every_unit(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    out = shown(diagnosis, ["--parts", "holes", "--faulty", "8", "--seed", "3"], monkeypatch, capsys)
    found = re.search(r"named right (\d+), wrong (\d+), not named (\d+); (\d+) faults change no reading", out)
    assert found is not None and sum(map(int, found.groups())) == 4
    (row,) = re.findall(r"^leak +(.*)$", out, re.M)
    assert sum(int(count) for count in row.split() if count != ".") == 4 - int(found[4])


def test_commands_measures_processor_time_and_what_fails_stops_it() -> None:
    assert commands.processor_s("--version") > 0.0
    with pytest.raises(SystemExit, match="No such command"):
        commands.processor_s("shwo")
    lines = commands.positions(8).splitlines()
    assert len(lines) == 9
    assert {line.count(",") for line in lines} == {6}


def test_trend_tells_nothing_of_healthy_units_and_a_grown_fault(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(trend, "GROWING", {"filter_clog": (0.0, 0.6)})
    out = shown(trend, ["--sessions", "2", "--picks", "14"], monkeypatch, capsys)
    assert "healthy: 0 notices in 2 sessions of 14 picks" in out
    assert "filter_clog: told at 0.6\n" in out


def test_fit_coverage(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    out = shown(fit_coverage, ["2", "1"], monkeypatch, capsys)
    assert re.search(r"^end_kpa +interval holds the truth in +(0|50|100)\.0 %; told in [0-2] of 2$", out, re.M)
    assert "fits: 2 of 2" in out
