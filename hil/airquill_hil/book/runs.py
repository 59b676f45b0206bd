"""Runs as the statistics want them: who was tested for the first time, and which values came."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

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

    @property
    def decided(self) -> bool:
        """An error says nothing about the unit, and a partial run decides nothing."""
        return self.verdict in ("accepted", "rejected")


def runs_of(book: Book) -> list[Run]:
    """The runs of a book, oldest first."""
    return [_run(one) for one in book.records() if isinstance(one, Record)]


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
    """Whether each decided run is of a unit that had one before, by its chip or its serial.

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


def first_passes(runs: Sequence[Run]) -> list[Run]:
    """The first decided run of each unit. Retests never count, whatever came of them."""
    decided = [run for run in runs if run.decided]
    return [run for run, again in zip(decided, is_retest(decided), strict=True) if not again]
