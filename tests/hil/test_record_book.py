"""The record book: what goes in stays, also with two runs at once, other stations' books and a full disk."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pandas
import pytest

from airquill.errors import AirquillError
from airquill_hil.book import Book, Repair, runs_of
from airquill_hil.book.batches import COLUMNS, csv_of
from airquill_hil.keep import keep
from airquill_hil.record import Record, read_record
from command_line import ENVIRONMENT, ROOT
from made_records import made_record


def book_of(path: Path, *records: Record) -> Path:
    with Book(path, create=True) as book:
        for record in records:
            assert book.add(record)
    return path


def test_a_record_comes_back_as_it_was_and_only_once(tmp_path: Path) -> None:
    record = made_record(1)
    path = book_of(tmp_path / "book.sqlite", record)
    with Book(path) as book:
        assert not book.add(record)
        assert list(book.records()) == [record]


def test_columns_are_for_any_sqlite_program(tmp_path: Path) -> None:
    # Oracle: pandas reads the file with nothing of ours.
    path = book_of(tmp_path / "book.sqlite", made_record(1), made_record(2, 40.0))
    with closing(sqlite3.connect(path)) as db:
        runs = pandas.read_sql("SELECT * FROM run", db)
        figures = pandas.read_sql("SELECT * FROM figure", db)
        assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert list(runs.verdict) == ["accepted", "rejected"]
    wanted = {"serial", "chip", "board_revision", "pump_lot", "firmware", "settings_hash", "limits_hash", "station"}
    wanted |= {"rig", "operator", "ambient_kpa", "host", "record"}
    assert wanted <= set(runs.columns)
    assert runs[sorted(wanted)].notna().all().all()
    assert '"kpa":[0.0,60.0]' in runs.record[0], "raw traces are in the row"
    assert list(figures.value) == [60.0, 40.0] and list(figures.outcome) == ["pass", "fail"]


def test_csv_is_read_by_pandas(tmp_path: Path) -> None:
    records = [made_record(1, 40.0, chip="c"), made_record(2, serial="HEATHER-01, 'b\"", chip="c")]
    with Book(book_of(tmp_path / "book.sqlite", *records)) as book:
        text = csv_of(runs_of(book))
    (tmp_path / "figures.csv").write_text(text)
    read = pandas.read_csv(tmp_path / "figures.csv")
    assert tuple(read.columns) == COLUMNS
    assert list(read.value) == [40.0, 60.0] and list(read.retest) == [False, True]
    assert read.serial[1] == "HEATHER-01, 'b\""


def test_entries_are_never_changed_nor_taken_away(tmp_path: Path) -> None:
    path = book_of(tmp_path / "book.sqlite", made_record(1))
    with closing(sqlite3.connect(path)) as db:
        for statement in ("DELETE FROM entry", "UPDATE entry SET record = '{}'", "UPDATE entry SET kind = 'repair'"):
            with pytest.raises(sqlite3.IntegrityError, match="never"):
                db.execute(statement)


def test_repairs_are_entries(tmp_path: Path) -> None:
    path = book_of(tmp_path / "book.sqlite", made_record(1))
    with Book(path) as book:
        made = book.add_repair("HEATHER-01", " Valve changed. ", "bench 1", "Ada")
        kinds = [type(one) for one in book.records()]
        assert sorted(kind.__name__ for kind in kinds) == ["Record", "Repair"]
        assert book.rows("SELECT serial, sentence FROM repair") == [("HEATHER-01", "Valve changed.")]
        with pytest.raises(AirquillError, match="needs the unit's serial"):
            book.add_repair("", "Valve changed.", "", "")
    assert isinstance(made, Repair) and len(runs_of(Book(path))) == 1


def test_two_runs_on_one_book_at_once(tmp_path: Path) -> None:
    path = tmp_path / "book.sqlite"  # which the first of them makes
    script = (
        "import sys; from pathlib import Path; from made_records import made_record\n"
        "from airquill_hil.book import Book\n"
        "for n in range(25):\n"
        "    with Book(Path(sys.argv[1]), create=True) as book:\n"
        "        assert book.add(made_record(n, operator=sys.argv[2]))\n"
    )
    environment = {**ENVIRONMENT, "PYTHONPATH": os.pathsep.join((ENVIRONMENT["PYTHONPATH"], str(ROOT / "tests")))}
    running = [
        subprocess.Popen([sys.executable, "-c", script, str(path), name], env=environment, stderr=subprocess.PIPE)
        for name in ("Ada", "Ben")
    ]
    for process in running:
        _, said = process.communicate(timeout=60)
        assert process.returncode == 0, said.decode()
    with Book(path) as book:
        counts = book.rows("SELECT operator, count(*) FROM run GROUP BY operator ORDER BY operator")
    assert counts == [("Ada", 25), ("Ben", 25)]


def test_books_of_stations_merge_without_loss_or_doubles(tmp_path: Path) -> None:
    shared = made_record(9)
    first = book_of(tmp_path / "1.sqlite", made_record(1), shared)
    second = book_of(tmp_path / "2.sqlite", made_record(2), made_record(3), shared)
    before = first.read_bytes()
    with Book(tmp_path / "shop.sqlite", create=True) as shop:
        assert (shop.merge(first).new, shop.merge(second).new) == (2, 2)
        again = shop.merge(second)
        assert (again.new, again.known) == (0, 3)
        assert [run.serial for run in runs_of(shop)] == ["HEATHER-01", "HEATHER-02", "HEATHER-03", "HEATHER-09"]
        with pytest.raises(AirquillError, match="the book itself"):
            shop.merge(tmp_path / "shop.sqlite")
    assert first.read_bytes() == before


def test_a_merge_with_an_altered_entry_is_refused_whole(tmp_path: Path) -> None:
    record = made_record(1)
    first = book_of(tmp_path / "1.sqlite", record)
    second = book_of(tmp_path / "2.sqlite", made_record(0), record.model_copy(update={"verdict": "rejected"}))
    with Book(first) as book:
        with pytest.raises(AirquillError, match="Nothing was merged") as error:
            book.merge(second)
        assert error.value.exit_code == 1
        assert [run.serial for run in runs_of(book)] == ["HEATHER-01"]


def test_what_is_no_book_of_this_version_is_refused_and_left_alone(tmp_path: Path) -> None:
    other, text, newer = tmp_path / "other.sqlite", tmp_path / "text.sqlite", tmp_path / "newer.sqlite"
    with closing(sqlite3.connect(other)) as db:
        db.execute("CREATE TABLE honey (kg REAL)")
    text.write_text("a diary, much longer than the header of an SQLite file would be. " * 20)
    with closing(sqlite3.connect(book_of(newer))) as db:
        db.execute("PRAGMA user_version = 2")
    before = [path.read_bytes() for path in (other, text)]
    for path, says in ((other, "no record book"), (text, "no SQLite file"), (newer, "version 2, this Airquill reads")):
        with pytest.raises(AirquillError, match=says):
            Book(path, create=True)
    assert [path.read_bytes() for path in (other, text)] == before
    with pytest.raises(AirquillError, match="There is no record book"):
        Book(tmp_path / "none.sqlite")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 128 KiB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=128k", "tmpfs", str(folder)], capture_output=True, text=True, check=False
    )
    if done.returncode:  # not `require`: CI may run where nobody may mount
        pytest.skip("needs the right to mount a small disk: run as root")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_loses_nothing(small_disk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    spare = tmp_path / "spare"
    monkeypatch.setattr("tempfile.tempdir", str(spare))
    book = small_disk / "book.sqlite"
    kept = []
    for n in range(60):
        record = made_record(n)
        found = keep(record, small_disk, book)
        assert found.record is not None
        assert Record.model_validate_json(found.record.read_text()) == record
        kept.append(found)
        if n > 2 and found.problems and all("full" in one or "No space" in one for one in found.problems[:1]):
            break
    assert kept[0].in_book and not kept[0].problems
    last = kept[-1]
    assert not last.in_book and last.record is not None and last.record.parent == spare / "airquill-records"
    assert any("book.sqlite cannot be" in one and "full" in one for one in last.problems), last.problems
    assert any(f"airquill book add {last.record}" in one for one in last.problems)
    for page in small_disk.glob("*.html"):
        page.unlink()
    with Book(book) as opened:
        assert len(runs_of(opened)) == sum(one.in_book for one in kept)
        assert opened.add(read_record(last.record))
        assert opened.rows("PRAGMA integrity_check") == [("ok",)]


def test_a_record_that_no_disk_takes_is_still_in_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "file"))
    kept = keep(made_record(1), tmp_path / "file" / "records", tmp_path / "file" / "book.sqlite")
    assert kept.record is None and not kept.in_book and len(kept.problems) == 3
