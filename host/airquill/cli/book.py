"""`airquill book`: the record book of a bench or a shop."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from airquill.cli.common import Json, counted, say, table, write_json

app = typer.Typer(no_args_is_help=True, help="Look into a record book, add to it, merge those of several benches.")

BOOK = Path("records/book.sqlite")
BookFile = Annotated[Path, typer.Option("--book", metavar="FILE", help="The record book.")]
Station = Annotated[str, typer.Option("--station", help="Only runs of this bench.")]
Since = Annotated[str, typer.Option("--since", metavar="DATE", help="Only runs from then on, as 2026-11-24.")]
Page = Annotated[Path | None, typer.Option("--page", metavar="FILE", help="Write a page with plots.")]


def percent(share: float | None) -> str:
    """A share from 0 to 1 as people read it."""
    return "-" if share is None else f"{100 * share:.1f} %"


@app.command("list", epilog="Example: airquill book list --serial HEATHER-07")
def list_entries(
    serial: Annotated[str, typer.Option(metavar="S", help="Only this unit's.")] = "",
    book: BookFile = BOOK,
    as_json: Json = False,
) -> None:
    """Show runs and repairs, oldest first."""
    from airquill_hil.book import Book

    query = "SELECT started, serial, kind, station, operator, verdict, sentence, id FROM entry"
    with Book(book) as opened:
        rows = opened.rows(f"{query} WHERE ? IN ('', serial) ORDER BY started, rowid", serial)
    if as_json:
        names = ("started", "serial", "kind", "station", "operator", "verdict", "sentence", "id")
        write_json([dict(zip(names, row, strict=True)) for row in rows])
        return
    table(
        ("When", "Serial", "What", "Station", "Operator", "Sentence"),
        [(row[0], row[1], row[5] or row[2], row[3], row[4], row[6]) for row in rows],
    )


@app.command(epilog="Example: airquill book repair --serial HEATHER-07 'Valve changed, lot 12'")
def repair(
    what: Annotated[str, typer.Argument(metavar="SENTENCE", help="What was done.")],
    serial: Annotated[str, typer.Option(metavar="S", help="Serial of the unit.")],
    station: Annotated[str, typer.Option(help="Name of the bench; without it, the computer's.")] = "",
    operator: Annotated[str, typer.Option(help="Who did it; without it, the user's name.")] = "",
    book: BookFile = BOOK,
) -> None:
    """Write down what was done to a unit between two tests."""
    from airquill_hil.book import Book
    from airquill_hil.run import Place

    place = Place(station, operator).filled()
    with Book(book) as opened:
        opened.add_repair(serial, what, place.station, place.operator)
    say("Written down.")


@app.command(epilog="Example: airquill book add records/HEATHER-07-20261124T235539Z.json")
def add(
    records: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Records that accept wrote as JSON.")],
    book: BookFile = BOOK,
) -> None:
    """Add records that are not in the book, as when its disk was full. Known ones are left alone."""
    from airquill_hil.book import Book
    from airquill_hil.record import read_record

    read = [read_record(path) for path in records]  # all are sound before one goes in
    with Book(book, create=True) as opened:
        new = sum(opened.add(record) for record in read)
    typer.echo(f"{counted(new, 'record')} added, {len(read) - new} known.")


@app.command(epilog="Example: airquill book merge bench1.sqlite bench2.sqlite --book shop.sqlite")
def merge(
    books: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Books to take entries from; they stay.")],
    book: BookFile = BOOK,
) -> None:
    """Bring books of several benches into one, nothing lost and nothing twice. Merging again changes nothing."""
    from airquill_hil.book import Book

    with Book(book, create=True) as opened:
        for other in books:
            done = opened.merge(other)
            typer.echo(f"{other}: {done.new} new, {done.known} known.")


@app.command(epilog="Example: airquill book export --csv figures.csv")
def export(
    csv: Annotated[Path, typer.Option("--csv", metavar="FILE", help="One line a figure of a run.")],
    book: BookFile = BOOK,
) -> None:
    """Write all figures of all runs as CSV. Retests are marked."""
    from airquill.report.files import write_whole
    from airquill_hil.book import Book, runs_of
    from airquill_hil.book.batches import csv_of

    with Book(book) as opened:
        runs = runs_of(opened)
    write_whole(csv, csv_of(runs))
    say(f"{counted(len(runs), 'run')} in {csv}.")
