"""`airquill yield`: what a shop's tests say about its units."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from airquill.cli.book import BOOK, BookFile, Page, Since, Station, percent
from airquill.cli.common import Json, say, table, write_json

if TYPE_CHECKING:
    from airquill.quality.batch import Batch, FigureOver
    from airquill.quality.capability import Share
    from airquill_hil.book import Run

app = typer.Typer()


@app.command("yield", epilog="Example: airquill yield --book records/book.sqlite --page yield.html")
def yield_of(
    book: BookFile = BOOK,
    station: Station = "",
    since: Since = "",
    page: Page = None,
    partial: Annotated[
        bool, typer.Option("--partial", help="Count partial runs in which nothing failed as passed: no rig is there.")
    ] = False,
    propose: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write limits out of 30 or more good units (99 % of units).")
    ] = None,
    limits: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Limits that --propose starts from; without it, the bench's own."),
    ] = None,
    as_json: Json = False,
) -> None:
    """First-pass yield, what failed most, Cp and Cpk, charts, marginal units. Retests never count."""
    from airquill.report.batch import batch_page
    from airquill.report.files import write_whole
    from airquill_hil.book import read_runs
    from airquill_hil.book.batches import batch_of, proposed
    from airquill_hil.limits import load_limits
    from airquill_hil.record import now

    base = load_limits(limits)
    runs = read_runs(book, station, since)
    found = batch_of(runs, partial)
    if page is not None:
        write_whole(page, batch_page(found, ", ".join(filter(None, (book.name, station, since))), now()))
    if propose is not None:
        text = proposed(base, found)
        write_whole(propose, text)
    if as_json:
        write_json({**asdict(found), "limits_versions": sorted({run.limits_version for run in runs})})
    else:
        _say_batch(found, runs)


def _share(share: Share) -> str:
    return (
        f"{percent(share.share)} ({share.good} of {share.of} units; "
        f"95 % sure between {percent(share.low)} and {percent(share.high)})"
    )


def _say_batch(found: Batch, runs: list[Run]) -> None:
    typer.echo(f"First-pass yield  {_share(found.first_pass)}")
    typer.echo(f"After retests     {_share(found.last)}")
    typer.echo(f"Not counted       {found.retests} retests, {found.undecided} partial runs and errors")
    versions = sorted({run.limits_version for run in runs})
    if len(versions) > 1:
        say(f"Runs have limits of versions {', '.join(map(str, versions))}; Cp and Cpk are against the last one's.")
    if found.failures:
        typer.echo()
        rows = [(one.name, str(one.units), f"{one.so_far:.0%}") for one in found.failures]
        table(("Failed at first", "Units", "So far"), rows)
    typer.echo()
    titles = ("Figure", "Units", "Mean", "Deviation", "Cp", "Cpk", "Cpk at least", "Trend", "Alarms")
    table(titles, [_figure_row(one) for one in found.figures])
    if found.narrow:
        typer.echo()
        table(("Marginal", "Figure", "Value"), [(one.serial, one.name, one.shown) for one in found.narrow])


def _figure_row(one: FigureOver) -> tuple[str, ...]:
    made = one.capability

    def shown(value: float | None, digits: int = 2) -> str:
        return "-" if value is None else f"{value:.{digits}f}"

    return (
        one.name,
        str(len(one.values)),
        "-" if made is None else f"{made.mean:.2f} {one.unit}",
        shown(made.deviation if made else None, 3),
        shown(made.cp if made else None),
        shown(made.cpk if made else None),
        shown(made.cpk_floor if made else None),
        f"{one.trend.per_unit:+.3g} a unit" if one.trend and one.trend.there else "-",
        str(len(one.chart.alarms)) if one.chart else "-",
    )
