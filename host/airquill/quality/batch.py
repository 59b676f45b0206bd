"""A batch of units: first-pass yield, what failed most, each figure over the batch, who was only just inside."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from airquill.quality.capability import FEWEST_TO_PROPOSE, Capability, Proposal, Share, capability, propose, share
from airquill.quality.chart import Chart, Trend, chart, trend


@dataclass(frozen=True)
class Seen:
    """A figure of a unit at its first test. `value` is None where it could not be measured or is yes or no."""

    name: str
    unit: str
    value: float | None
    low: float | None
    high: float | None
    guard: float
    outcome: str
    shown: str


@dataclass(frozen=True)
class Unit:
    """A unit: its first test with what was seen, and what came of its last one."""

    serial: str
    started: str
    passed_first: bool
    passed_last: bool
    seen: Sequence[Seen]


@dataclass(frozen=True)
class FigureOver:
    """A figure over the batch. `values` are by unit in the order of the tests; limits are those of the last test.

    Statistics are None where there are too few values. `proposal` is of the good units alone.
    """

    name: str
    unit: str
    low: float | None
    high: float | None
    guard: float
    serials: list[str]
    values: list[float]
    capability: Capability | None
    chart: Chart | None
    trend: Trend | None
    proposal: Proposal | None


@dataclass(frozen=True)
class Failures:
    """How many units failed a figure at their first test, and the share of all failures up to here."""

    name: str
    units: int
    so_far: float


@dataclass(frozen=True)
class Narrow:
    """A unit that passed, by less than the guard band."""

    serial: str
    name: str
    shown: str
    low: float | None
    high: float | None
    guard: float


@dataclass(frozen=True)
class Batch:
    """All of it. `retests` and `undecided` are runs that count for nothing here."""

    units: int
    retests: int
    undecided: int
    first_pass: Share
    last: Share
    failures: list[Failures]
    figures: list[FigureOver]
    narrow: list[Narrow]


def batch(units: Sequence[Unit], retests: int = 0, undecided: int = 0) -> Batch:
    """The statistics of units in the order of their first tests.

    First-pass yield is units that passed their first test over units tested; a retest never counts (common use of the
    term in production, no source). `last` is the share of units whose last test passed.
    """
    return Batch(
        len(units),
        retests,
        undecided,
        share(sum(unit.passed_first for unit in units), len(units)),
        share(sum(unit.passed_last for unit in units), len(units)),
        _failures(units),
        [_over(name, units) for name in _measured(units)],
        [
            Narrow(unit.serial, seen.name, seen.shown, seen.low, seen.high, seen.guard)
            for unit in units
            for seen in unit.seen
            if seen.outcome == "marginal"
        ],
    )


def _failures(units: Sequence[Unit]) -> list[Failures]:
    counts = Counter(seen.name for unit in units for seen in unit.seen if seen.outcome == "fail")
    so_far, found = 0, []
    for name, count in sorted(counts.items(), key=lambda one: (-one[1], one[0])):
        so_far += count
        found.append(Failures(name, count, so_far / counts.total()))
    return found


def _measured(units: Sequence[Unit]) -> list[str]:
    """Figures that some unit was measured for, in a unit: counts and answers of yes and no have no spread."""
    return list(dict.fromkeys(one.name for unit in units for one in unit.seen if one.unit and one.outcome != "skipped"))


def _over(name: str, units: Sequence[Unit]) -> FigureOver:
    seen = [(unit, one) for unit in units for one in unit.seen if one.name == name]
    measured = [(unit, one.value) for unit, one in seen if one.value is not None]
    values = [value for _, value in measured]
    last = seen[-1][1]
    good = [value for unit, value in measured if unit.passed_first]
    limited = last.low is not None or last.high is not None
    return FigureOver(
        name,
        last.unit,
        last.low,
        last.high,
        last.guard,
        [unit.serial for unit, _ in measured],
        values,
        _if(len(values) >= 2, capability, values, last.low, last.high),
        _if(len(values) >= 2, chart, values),
        trend(values),
        _if(len(good) >= FEWEST_TO_PROPOSE and limited, propose, good, last.low is not None, last.high is not None),
    )


def _if(enough: bool, made: Callable[..., Any], *values: Any) -> Any:
    return made(*values) if enough else None
