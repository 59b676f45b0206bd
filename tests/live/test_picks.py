"""Picks in a unit's lines: figures against what the air really does, and against closed forms."""

from __future__ import annotations

import random
from collections.abc import Iterator
from math import exp, log
from typing import Any

import pytest
from scipy.integrate import quad, solve_ivp

import airquill.simulator as airquill_simulator
from airquill.link.client import Client
from airquill.live.picks import Pick, PickFinder
from airquill.live.recording import header_of
from airquill.live.watcher import Watcher
from airquill.report.trace import Trace
from airquill.simulator.control import Control
from airquill.tuning.crossing import falls_to, level
from operator_at_work import Operator, watched

PICK = Pick(1, 0.0, 1.5, 2, 80.0, False, "")


@pytest.fixture
def unit() -> Iterator[Client]:
    airquill_simulator.reset()
    with Client.open("sim://picks?seed=5") as unit:
        yield unit
    airquill_simulator.reset()


def found(header: Any, lines: list[dict[str, Any]]) -> list[Pick]:
    finder = header.finder()
    picks = [pick for line in lines if (pick := finder.take(line)) is not None]
    last = finder.finish()
    return [*picks, last] if last is not None else picks


def test_every_pick_is_found_with_figures_near_the_real_air(unit: Client) -> None:
    """Against the pressures that the simulator computes, not those that its sensor gives."""
    control = Control.of(unit.port.raw.unit)
    operator = Operator(unit, 8, seed=2, miss_share=0.0)
    real: list[Trace] = []
    lines = []
    begun_s = float("inf")
    header = header_of(unit, "", "", None)
    for line in Watcher(unit, 100).lines(60.0):
        lines.append(line)
        # A line may be looked at later than it was read: the pressures are those of now.
        now_s = unit.port.now()
        begun_s = min(begun_s, now_s - line["at_s"])
        if line.get("event") == "cycle" and line["state"] == "picking":
            real.append(Trace())
        if real:
            real[-1].at_s.append(now_s)
            real[-1].kpa.append(float(control.truth()["pen_kpa"]))
            if line.get("event") == "cycle":
                real[-1].states.append((float(line["at_s"]), str(line["state"])))
        operator.act()
        if operator.is_done:
            break
    picks = found(header, lines)
    assert [pick.number for pick in picks] == list(range(1, 9))
    assert picks[0].from_standstill
    assert not any(pick.from_standstill for pick in picks[1:])
    for pick, air in zip(picks, real, strict=True):
        assert pick.outcome == "released"
        at_s = air.when("releasing")
        assert at_s is not None
        off_s = begun_s + at_s
        vented, begun = falls_to(air, 5.0, off_s), falls_to(air, 50.0, off_s)
        assert vented is not None
        assert begun is not None
        assert pick.level_kpa == pytest.approx(level(air, off_s), abs=0.3)
        # Behind the air by the unit's filter, 10 ms of time constant after a fall that takes as long, and a sample.
        assert pick.let_go_ms is not None
        assert pick.vent_ms is not None
        assert 10 < pick.let_go_ms - (vented - off_s) * 1000 < 30
        assert 0 < pick.vent_ms - (vented - begun) * 1000 < 20
    let_gos = [pick.let_go_ms for pick in picks if pick.let_go_ms is not None]
    assert max(let_gos) - min(let_gos) < 5
    # The hand touches the part up to 0.3 s after the press; the rise does not know.
    rises = [pick.rise_s for pick in picks[1:] if pick.rise_s is not None]
    assert len(rises) >= 5
    assert max(rises) < 1.15 * min(rises)


def test_a_missed_a_lost_and_a_stopped_pick() -> None:
    finder = PickFinder(3, 70.0)
    lines: list[dict[str, Any]] = [
        {"at_s": 0.0, "event": "cycle", "state": "idle"},
        {"at_s": 1.0, "event": "cycle", "state": "picking"},
        {"at_s": 2.6, "event": "grip", "what": "missed"},
        {"at_s": 3.0, "event": "cycle", "state": "releasing"},
        {"at_s": 5.0, "event": "preset", "number": 4, "strength_pct": 60.0},
        {"at_s": 6.0, "event": "cycle", "state": "picking"},
        {"at_s": 6.5, "event": "cycle", "state": "holding"},
        {"at_s": 7.0, "event": "cycle", "state": "picking"},  # lost: vacuum stays on
        {"at_s": 7.0, "event": "grip", "what": "lost"},
        {"at_s": 8.0, "event": "cycle", "state": "releasing"},
        {"at_s": 9.0, "event": "cycle", "state": "picking"},
        {"at_s": 9.5, "event": "cycle", "state": "stopped"},
        {"at_s": 11.0, "event": "cycle", "state": "picking"},
    ]
    picks = [pick for line in lines if (pick := finder.take(line)) is not None]
    assert [(pick.outcome, pick.preset, pick.on_s) for pick in picks] == [("missed", 3, 2.0), ("lost", 4, 2.0)]
    assert finder.finish() is None  # the last one was never let go of


def exponential(kpa: float, time_constant_s: float, every_s: float = 0.02, late_s: float = 0.0) -> list[dict[str, Any]]:
    """A pick that rises as V dp/dt = G (p_end - p) does, sealed from `late_s` on, and falls in a straight line."""
    lines: list[dict[str, Any]] = [{"at_s": 0.0, "event": "cycle", "state": "picking"}]
    noise = random.Random(1)
    for n in range(round(2.0 / every_s)):
        at_s = n * every_s
        share = 1 - exp(-max(0.0, at_s - late_s) / time_constant_s)
        open_kpa = 0.6 * kpa * (1 - exp(-at_s / time_constant_s))
        lines.append({"at_s": at_s, "vacuum.kpa": max(kpa * share, open_kpa) + noise.gauss(0, 0.05)})
    lines.append({"at_s": 2.0, "event": "cycle", "state": "releasing"})
    lines += [{"at_s": 2.0 + n * 0.01, "vacuum.kpa": max(0.0, kpa - n * 10.0)} for n in range(1, 100)]
    return lines


def measured(lines: list[dict[str, Any]]) -> Pick:
    finder = PickFinder(1, 100.0)
    picks = [pick for line in lines if (pick := finder.take(line)) is not None]
    assert len(picks) == 1
    return picks[0]


def test_rise_and_pull_down_of_an_exponential_rise_are_those_of_its_closed_form() -> None:
    pick = measured(exponential(60.0, 0.15))
    assert pick.level_kpa == pytest.approx(60.0, abs=0.1)
    assert pick.rise_s == pytest.approx(0.15 * log(5), rel=0.03)
    assert pick.pull_down_s() == pytest.approx(0.15 * log(60 / 20), rel=0.03)
    # 60 to 5 kPa at 1 kPa a ms; the first sample at 50 stands 10 ms after the release
    assert pick.let_go_ms == pytest.approx(55.0, abs=1.0)
    assert pick.vent_ms == pytest.approx(45.0, abs=1.0)


def test_a_tip_that_is_sealed_late_gives_no_rise() -> None:
    assert measured(exponential(60.0, 0.15, late_s=0.4)).rise_s is None


def test_samples_far_apart_give_no_times() -> None:
    sparse = measured(exponential(60.0, 0.15, every_s=0.1))
    assert sparse.rise_s is None
    assert sparse.level_kpa == pytest.approx(60.0, abs=0.1)


def test_a_short_pick_has_no_level() -> None:
    lines = [line for line in exponential(60.0, 0.15) if line["at_s"] < 0.5 or line["at_s"] > 2.0]
    lines.insert(
        len([line for line in lines if line["at_s"] < 0.5]), {"at_s": 0.5, "event": "cycle", "state": "releasing"}
    )
    assert measured(lines).level_kpa is None


@pytest.mark.parametrize("bulge", [-0.9, -0.5, 0.0, 0.5, 1.0])
def test_the_shape_that_counts_as_sealed_holds_every_pump_curve(bulge: float) -> None:
    """Against scipy's quadrature of dy / ((1 - y)(1 + k y)), the rise on a pump curve bulged by k (docs/physics.md)."""

    def rate(y: float) -> float:
        return 1 / ((1 - y) * (1 + bulge * y))

    shape = quad(rate, 0.5, 0.7)[0] / quad(rate, 0.7, 0.9)[0]
    from airquill.live import picks

    assert picks._LEAST_SHAPE * 1.3 < shape < picks._MOST_SHAPE / 1.3


@pytest.mark.parametrize(("bulge", "within"), [(-0.5, 0.35), (0.0, 0.02), (0.5, 0.2)])
def test_pull_down_is_worked_out_near_the_real_one(bulge: float, within: float) -> None:
    """Against scipy's solve_ivp: how far the exponential is off where the pump's curve is not straight."""
    end_kpa = 62.0

    def rise(_t: float, y: Any) -> Any:
        return (1 - y / end_kpa) * (1 + bulge * y / end_kpa) * end_kpa / 0.15

    solved = solve_ivp(rise, (0, 4), [0.0], rtol=1e-9, atol=1e-9, dense_output=True)

    def when(kpa: float) -> float:
        low, high = 0.0, 4.0
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if solved.sol(middle)[0] < kpa else (low, middle)
        return low

    pick = Pick(1, 0.0, 1.5, 2, 80.0, False, "", end_kpa, when(0.9 * end_kpa) - when(0.5 * end_kpa))
    assert pick.pull_down_s() == pytest.approx(when(40.0), rel=within)


def test_no_pull_down_where_forty_is_not_reached() -> None:
    assert Pick(1, 0.0, 1.5, 2, 80.0, False, "", 41.0, 0.2).pull_down_s() is None
    assert PICK.pull_down_s() is None


def test_without_a_sensor_picks_are_found_and_have_no_figures() -> None:
    airquill_simulator.reset()
    with Client.open("sim://blind?sensor=off") as unit:
        header, lines = watched(unit, Operator(unit, 3, seed=1))
        picks = found(header, lines)
    assert len(picks) == 3
    assert all(pick.level_kpa is None and pick.let_go_ms is None for pick in picks)
    assert not header.sensor
    airquill_simulator.reset()
