"""Runs of a book as a batch for the statistics, as a gauge study, and as rows for other programs."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from airquill.quality.batch import Batch, Seen, Unit, batch
from airquill_hil.book.runs import Run, first_passes, is_retest
from airquill_hil.limits import Limit, Limits
from airquill_hil.record import FigureRecord

COLUMNS = (
    *("run", "serial", "chip", "started", "station", "operator", "limits_version", "verdict", "retest"),
    *("figure", "value", "unit", "low", "high", "must", "guard", "outcome"),
)


def batch_of(runs: Sequence[Run], partial: bool = False) -> Batch:
    """The batch that these runs, oldest first, are the tests of. `partial` counts runs in which nothing failed."""
    tests = [run for run in runs if run.counts(partial)]
    first = first_passes(tests)
    units = [_unit(run, tests) for run in first]
    return batch(units, len(tests) - len(first), len(runs) - len(tests))


def _unit(run: Run, tests: Sequence[Run]) -> Unit:
    last = [one for one in tests if one.chip == run.chip or (run.serial and one.serial == run.serial)][-1]
    return Unit(
        run.serial or run.chip,
        run.started,
        run.passed,
        last.passed,
        [_seen(figure) for figure in run.figures.values()],
    )


def _seen(figure: FigureRecord) -> Seen:
    return Seen(
        figure.name,
        figure.unit,
        None if isinstance(figure.value, bool) else figure.value,
        figure.low,
        figure.high,
        figure.guard,
        figure.outcome.value,
        figure.shown,
    )


def study_of(runs: Sequence[Run], figure: str) -> list[tuple[str, str, float]]:
    """A figure as (unit, operator, value), from every run that measured it."""
    found = []
    for run in runs:
        one = run.figures.get(figure)
        if one is not None and one.value is not None and not isinstance(one.value, bool):
            found.append((run.serial or run.chip, run.operator, one.value))
    return found


def csv_of(runs: Sequence[Run]) -> str:
    """One line a figure of a run, with a head; RFC 4180. Retests are marked, for those who count themselves."""
    out = io.StringIO()
    lines = csv.writer(out)
    lines.writerow(COLUMNS)
    tests = [run for run in runs if run.counts(partial=True)]
    again = {run.id: retest for run, retest in zip(tests, is_retest(tests), strict=True)}
    for run in runs:
        head = (run.id, run.serial, run.chip, run.started, run.station, run.operator, run.limits_version, run.verdict)
        for one in run.figures.values():
            limits = (one.unit, one.low, one.high, one.must, one.guard, one.outcome.value)
            lines.writerow((*head, again.get(run.id, ""), one.name, one.value, *limits))
    return out.getvalue()


def proposed(base: Limits, found: Batch) -> str:
    """A limits file, one version on, where figures with enough good units have limits out of these; the rest stay.

    A limit that was out of a source keeps it: flag S is not replaced by what units happen to do.
    """
    lines = [f"version = {base.version + 1}", f"needle_gauge = {base.needle_gauge}"]
    by_name = {figure.name: figure.proposal for figure in found.figures if figure.proposal is not None}
    for name, limit in base.figures.items():
        proposal = by_name.get(name)
        lines += ["", f"[figures.{name}]"]
        if proposal is not None and limit.flag != "S":
            odd = "" if proposal.normal else "; the values are not normal: look at them first"
            lines.append(f"# from {proposal.n} good units, mean and {proposal.factor:.2f} deviations{odd}")
            limit = limit.model_copy(update={"low": proposal.low, "high": proposal.high, "flag": "C"})
        lines += _limit_lines(limit)
    return "\n".join(lines) + "\n"


def _limit_lines(limit: Limit) -> list[str]:
    lines = [f"must = {str(limit.must).lower()}"] if limit.must is not None else []
    for key, value in (("low", limit.low), ("high", limit.high), ("guard", limit.guard or None)):
        if value is not None:
            lines.append(f"{key} = {float(value):.4g}")
    return [*lines, f'flag = "{limit.flag}"']
