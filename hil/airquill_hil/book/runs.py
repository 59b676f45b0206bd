"""Runs as the statistics want them: who was tested for the first time, and which values came."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from airquill.errors import AirquillError
from airquill_hil.book.book import Book
from airquill_hil.limits import Outcome
from airquill_hil.record import FigureRecord, Record


@dataclass(frozen=True)
class Run:
    """One run, without its traces. `figures` are those of all its checks, by name."""

    id: str
    serial: str
    chip: str
    started: str
    station: str
    operator: str
    limits_version: int
    verdict: str
    figures: dict[str, FigureRecord]

    def counts(self, partial: bool = False) -> bool:
        """Whether it is a test of the unit. An error says nothing about it, and a partial run decides nothing; yet
        where there is no rig all good runs are partial, and `partial` counts them as passed."""
        return self.verdict in ("accepted", "rejected") or (partial and self.verdict == "partial")

    @property
    def passed(self) -> bool:
        """For a run that counts."""
        return self.verdict != "rejected"


def runs_of(book: Book) -> list[Run]:
    """The runs of a book, oldest first."""
    return [_run(one) for one in book.records() if isinstance(one, Record)]


def read_runs(path: Path, station: str = "", since: str = "") -> list[Run]:
    """The runs of the book at `path`, of one station and from a day on where these are given. AirquillError, also
    where there are none."""
    if since:
        try:
            date.fromisoformat(since[:10])
        except ValueError:
            raise AirquillError(f"{since} is no date. Write it as 2026-11-24.") from None
    with Book(path) as book:
        runs = [run for run in runs_of(book) if run.started >= since and station in ("", run.station)]
    if not runs:
        raise AirquillError(f"{path} has no such runs. Look with airquill book list.", 1)
    return runs


def _run(record: Record) -> Run:
    return Run(
        record.id,
        record.serial,
        record.unit.chip,
        record.started,
        record.station,
        record.operator,
        record.limits_version,
        record.verdict,
        {figure.name: figure for check in record.checks for figure in check.figures},
    )


def is_retest(runs: Iterable[Run]) -> list[bool]:
    """Whether each of these tests is of a unit that had one before, by its chip or its serial.

    A new label makes no new unit, nor does a new board under the old label. Where label and unit disagree the wrong
    unit was on the bench, and the serial says nothing.
    """
    chips: set[str] = set()
    serials: set[str] = set()
    found = []
    for run in runs:
        named = run.figures.get("serial_equal")
        serial = "" if named is not None and named.outcome is Outcome.FAIL else run.serial
        found.append(run.chip in chips or serial in serials)
        chips.add(run.chip)
        if serial:
            serials.add(serial)
    return found


def first_passes(tests: Sequence[Run]) -> list[Run]:
    """The first test of each unit. Retests never count, whatever came of them."""
    return [run for run, again in zip(tests, is_retest(tests), strict=True) if not again]
