"""Keeps a record: as JSON, in the record book, as a page and as JUnit XML. What cannot be written is said, and the
record ends up somewhere in any case."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from airquill.errors import AirquillError
from airquill.report.files import write_whole
from airquill.report.html import acceptance_page
from airquill_hil.book import Book
from airquill_hil.junit import junit_xml
from airquill_hil.record import Record, write_record


@dataclass
class Kept:
    """Where a record went. `record` is None when no disk took it: it is then only in memory."""

    record: Path | None = None
    page: Path | None = None
    junit: Path | None = None
    in_book: bool = False
    problems: list[str] = field(default_factory=list)
    """A sentence for each thing that could not be written."""


def check_place(folder: Path, book: Path) -> None:
    """Make the records' folder and the book before a unit is touched. AirquillError when one cannot be used."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise AirquillError(
            f"{folder} cannot be the folder for records: {error.strerror}. Name another with --out."
        ) from error
    Book(book, create=True).close()


def keep(record: Record, folder: Path, book: Path) -> Kept:
    """Write a record to its folder and into the book. Never raises for a disk that is full or gone."""
    kept = Kept()

    def attempt(write: Callable[[], Path]) -> Path | None:
        try:
            return write()
        except AirquillError as error:
            kept.problems.append(error.sentence)
            return None

    kept.record = attempt(lambda: write_record(record, folder))
    if kept.record is None:
        spare = Path(tempfile.gettempdir()) / "airquill-records"
        kept.record = attempt(lambda: write_record(record, spare))
    kept.in_book = attempt(lambda: _into(book, record)) is not None
    if not kept.in_book and kept.record is not None:
        kept.problems.append(f"Bring it in later: airquill book add {kept.record}")
    if kept.record is not None:
        page, junit = kept.record.with_suffix(".html"), kept.record.with_suffix(".xml")
        kept.page = attempt(lambda: _written(page, acceptance_page(record.model_dump(mode="json"))))
        kept.junit = attempt(lambda: _written(junit, junit_xml(record)))
    return kept


def _into(path: Path, record: Record) -> Path:
    with Book(path, create=True) as book:
        book.add(record)
    return path


def _written(path: Path, text: str) -> Path:
    write_whole(path, text)
    return path
