"""The record book as an SQLite file: opened, checked, added to, merged."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Any, Literal

from pydantic import ValidationError

from airquill.errors import AirquillError
from airquill_hil.record import Part, Record, new_id, now

VERSION = 1
APPLICATION_ID = 0x41517262  # "AQrb", in the file's header: other SQLite files are not taken for books
_WAIT_S = 20.0  # how long another run on the same book may keep it


class Repair(Part):
    """What was done to a unit between two runs. `started` is UTC, `sentence` says what was done."""

    format: int = 1
    id: str
    serial: str
    started: str
    station: str
    operator: str
    sentence: str


@dataclass(frozen=True)
class Merged:
    """What a merge did: entries that came new, and those that were there before."""

    new: int
    known: int


class Book:
    """A record book, open. Use as a context manager; AirquillError for all that can be wrong with the file.

    Two runs may have one book open at once: each entry is one transaction, flushed to the disk (write-ahead log,
    `synchronous=FULL`). SQLite's write-ahead log does not work on network drives: each station keeps its own book.
    """

    def __init__(self, path: Path, create: bool = False) -> None:
        """Open the book at `path`; with `create` an empty one is made where there is none."""
        self.path = path
        if not create and not path.is_file():
            raise AirquillError(f"There is no record book at {path}. Name one, or make one with airquill accept.")
        with self._sentences("opened"):
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None)
        try:
            with self._sentences("opened"):
                self._prepare()
        except BaseException:
            self._db.close()
            raise

    def __enter__(self) -> Book:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; closing twice does nothing."""
        self._db.close()

    def _prepare(self) -> None:
        if self._pragma("application_id") != APPLICATION_ID:
            with self._transaction():
                # Asked again: another run may have made the book meanwhile.
                if self._pragma("application_id") != APPLICATION_ID:
                    if self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                        raise AirquillError(f"{self.path} is an SQLite file, but no record book. Name another.")
                    self._make()
        version = self._pragma("user_version")
        if version != VERSION:
            raise AirquillError(
                f"{self.path} is a record book of version {version}, this Airquill reads version {VERSION}. "
                "Install the Airquill that wrote it, or a newer one."
            )
        # Not before it is known to be a book: this changes the file.
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")

    def _make(self) -> None:
        text = (files("airquill_hil.book") / "schema.sql").read_text(encoding="utf-8")
        statement = ""
        for line in text.splitlines(keepends=True):  # executescript() would end the transaction
            statement += line
            if sqlite3.complete_statement(statement):
                self._db.execute(statement)
                statement = ""
        self._db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        self._db.execute(f"PRAGMA user_version = {VERSION}")

    def _pragma(self, name: str) -> int:
        return int(self._db.execute(f"PRAGMA {name}").fetchone()[0])

    def add(self, record: Record) -> bool:
        """Add a run; False when the book has it already."""
        return self._add("run", record)

    def add_repair(self, serial: str, sentence: str, station: str, operator: str) -> Repair:
        """Add a repair of a unit, done now."""
        if not serial or not sentence.strip():
            raise AirquillError("A repair needs the unit's serial and what was done.")
        made = Repair(
            id=new_id(), serial=serial, started=now(), station=station, operator=operator, sentence=sentence.strip()
        )
        self._add("repair", made)
        return made

    def _add(self, kind: Literal["run", "repair"], record: Record | Repair) -> bool:
        with self._sentences("written"), self._transaction():
            done = self._db.execute(
                "INSERT INTO entry (id, kind, record) VALUES (?, ?, ?) ON CONFLICT (id) DO NOTHING",
                (record.id, kind, record.model_dump_json()),
            )
            return done.rowcount == 1

    def merge(self, other: Path) -> Merged:
        """Take over what another book has and this one lacks, all or nothing; the other stays as it is.

        Entries are the same when their ids are. One with a known id and another content is refused: two books cannot
        both be right.
        """
        with Book(other) as source:
            if source.path.resolve() == self.path.resolve():
                raise AirquillError(f"{other} is the book itself. Name another one to merge into it.")
            with source._sentences("read"):
                entries = source._db.execute("SELECT id, kind, record FROM entry ORDER BY started").fetchall()
        new = 0
        with self._sentences("written"), self._transaction():
            for entry in entries:
                here = self._db.execute("SELECT kind, record FROM entry WHERE id = ?", entry[:1]).fetchone()
                if here is None:
                    self._db.execute("INSERT INTO entry (id, kind, record) VALUES (?, ?, ?)", entry)
                    new += 1
                elif here != entry[1:]:
                    raise AirquillError(
                        f"Entry {entry[0]} is in both books and differs, so one was altered. Nothing was merged.", 1
                    )
        return Merged(new, len(entries) - new)

    def records(self) -> Iterator[Record | Repair]:
        """Every entry, oldest first. AirquillError names one that cannot be understood."""
        with self._sentences("read"):
            rows = self._db.execute("SELECT id, kind, record FROM entry ORDER BY started, rowid").fetchall()
        for entry, kind, text in rows:
            try:
                yield (Record if kind == "run" else Repair).model_validate_json(text)
            except ValidationError as error:
                raise AirquillError(
                    f"{self.path}: entry {entry} is not of a kind that this Airquill knows. Install a newer one."
                ) from error

    def rows(self, query: str, *values: Any) -> list[tuple[Any, ...]]:
        """Rows of a query over the book's table and views, see schema.sql."""
        with self._sentences("read"):
            return self._db.execute(query, values).fetchall()

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise

    @contextlib.contextmanager
    def _sentences(self, verb: str) -> Iterator[None]:
        """SQLite's errors and the system's as sentences."""
        try:
            yield
        except sqlite3.Error as error:
            raise AirquillError(f"The record book {self.path} cannot be {verb}: {_plain(error)}") from error
        except OSError as error:
            raise AirquillError(
                f"The record book {self.path} cannot be {verb}: {error.strerror}. Name another place."
            ) from error


def _plain(error: sqlite3.Error) -> str:
    name = getattr(error, "sqlite_errorname", "")
    if name == "SQLITE_FULL":
        return "the disk is full. Make room."
    if name.startswith("SQLITE_IOERR"):
        return f"the disk does not take it ({name}). See whether it is full or gone."
    if name.startswith("SQLITE_BUSY"):
        return f"another program has kept it for {_WAIT_S:.0f} s. Close that one."
    if name in ("SQLITE_NOTADB", "SQLITE_CORRUPT"):
        return "it is no SQLite file, or a damaged one. Name another, or take the last copy."
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN")):
        return "it may not be opened or changed by you. Look at the rights of file and folder."
    return f"{error}."
