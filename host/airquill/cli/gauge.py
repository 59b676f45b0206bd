"""`airquill gauge`: how good a measurement is."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from airquill.cli.book import BOOK, BookFile, Page, Since, Station, percent
from airquill.cli.common import Json, table, write_json

if TYPE_CHECKING:
    from airquill.quality.gauge import Gauge, Measured
    from airquill_hil.book import Run

app = typer.Typer()


@app.command("gauge", epilog="Example: airquill gauge sealed_kpa --since 2026-11-24")
def gauge(
    figure: Annotated[str, typer.Argument(metavar="FIGURE", help="Figure of the runs, as sealed_kpa.")],
    book: BookFile = BOOK,
    csv: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Take part, operator, value from this CSV, not from a book.")
    ] = None,
    low: Annotated[float | None, typer.Option(help="Lower limit; without it, the last run's.")] = None,
    high: Annotated[float | None, typer.Option(help="Upper limit; without it, the last run's.")] = None,
    station: Station = "",
    since: Since = "",
    page: Page = None,
    as_json: Json = False,
) -> None:
    """Repeatability and reproducibility of a measurement, by analysis of variance.

    Accept some units, ten are usual, two or three times by each operator, and name the day by --since. Leaves with 1
    when the measurement is not usable: more than 30 % of the tolerance, or of all spread where there are no limits.
    """
    from airquill.quality.gauge import study
    from airquill.report.batch import gauge_page
    from airquill.report.files import write_whole
    from airquill_hil.book import read_runs
    from airquill_hil.record import now

    unit = ""
    if csv is not None:
        measured = _measured(csv)
    else:
        measured, unit, last_low, last_high = _from_book(read_runs(book, station, since), figure)
        low, high = last_low if low is None else low, last_high if high is None else high
    found = study(measured, low, high)
    if page is not None:
        write_whole(page, gauge_page(found, measured, figure, unit, now()))
    if as_json:
        write_json({**asdict(found), "word": found.word})
    else:
        _say_gauge(found, unit)
    raise typer.Exit(1 if found.word == "not usable" else 0)


def _from_book(runs: list[Run], figure: str) -> tuple[list[Measured], str, float | None, float | None]:
    from airquill.errors import AirquillError
    from airquill_hil.book.batches import study_of

    names = sorted({name for run in runs for name in run.figures})
    if figure not in names:
        raise AirquillError(f"No run has a figure {figure}. There are {', '.join(names)}.")
    last = next(run.figures[figure] for run in reversed(runs) if figure in run.figures)
    return study_of(runs, figure), last.unit, last.low, last.high


def _measured(path: Path) -> list[Measured]:
    import csv

    from airquill.errors import AirquillError

    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            lines = list(csv.DictReader(file))
    except OSError as error:
        raise AirquillError(f"{path} cannot be read: {error.strerror}.") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise AirquillError(f"{path} is no CSV: {error}.") from error
    found = []
    for number, line in enumerate(lines, 2):
        try:
            found.append((line["part"], line.get("operator") or "", float(line["value"])))
        except (KeyError, TypeError, ValueError):
            raise AirquillError(
                f"{path}, line {number}: wants columns part, operator and value, and a number in value."
            ) from None
    return found


def _say_gauge(found: Gauge, unit: str) -> None:
    def row(name: str, value: float) -> tuple[str, str, str]:
        return name, f"{value:.4g} {unit}".strip(), percent(value / found.total)

    table(
        ("Standard deviation", "", "Of all"),
        [
            row("repeatability", found.repeatability),
            row("reproducibility", found.reproducibility),
            row("measurement", found.measurement),
            row("between units", found.part),
            row("all", found.total),
        ],
    )
    typer.echo()
    typer.echo(f"Of the tolerance {percent(found.share_of_tolerance)}; {found.categories} groups of units told apart.")
    typer.echo(f"The measurement is {found.word}.")
