"""`airquill accept`: does this unit ship?"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from airquill.cli.common import Json, Port, console, open_unit, tell

if TYPE_CHECKING:
    from airquill_hil.check import Check
    from airquill_hil.keep import Kept
    from airquill_hil.opening import Terminal
    from airquill_hil.record import CheckRecord, Record

app = typer.Typer()

_COLOURS = {"pass": "green", "marginal": "yellow", "fail": "red", "skipped": "dim", "error": "magenta"}


@app.command(epilog="Example: airquill accept --serial HEATHER-07 --altitude 520 --out records")
def accept(
    serial: Annotated[
        str, typer.Option(metavar="S", help="Serial on the unit's label; it must be the unit's own.")
    ] = "",
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the record and its page.")] = Path(
        "records"
    ),
    limits: Annotated[Path | None, typer.Option(metavar="FILE", help="Limits; without it, the bench's own.")] = None,
    altitude: Annotated[
        float, typer.Option(metavar="M", help="Altitude of the bench in m; levels are corrected for it.")
    ] = 0,
    station: Annotated[str, typer.Option(help="Name of the bench; without it, the computer's.")] = "",
    operator: Annotated[str, typer.Option(help="Who runs it; without it, the user's name.")] = "",
    board_revision: Annotated[str, typer.Option(help="Revision of the unit's board, for the record.")] = "",
    pump_lot: Annotated[str, typer.Option(help="Lot of its pump, for the record.")] = "",
    rig_calibrated: Annotated[str, typer.Option(metavar="DATE", help="When the rig was last calibrated.")] = "",
    book: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Record book; without it, book.sqlite in the records' folder.")
    ] = None,
    rig: Annotated[
        str | None, typer.Option(metavar="URL", help="Port of the rig; a virtual unit brings one of its own.")
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option(metavar="CHECK", help="Run this check alone (repeatable), as after a repair; never accepts."),
    ] = None,
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Check a unit against limits and write a record: JSON, JUnit XML, a page that opens anywhere, a row in a book.

    A hand is asked for where one is needed: to close the tip, to press a pedal. Only a unit whose checks all ran and
    passed is accepted; where one could not run, the verdict is partial. Leaves with 0 accepted, 1 not accepted, 3 bench
    or link failed. Outputs are off afterwards, also after Ctrl-C.
    """
    from airquill_hil.checks import chosen_checks
    from airquill_hil.keep import check_place, keep
    from airquill_hil.limits import load_limits
    from airquill_hil.opening import opened_bench
    from airquill_hil.run import EXIT_CODES, NOT_KEPT, Made, Place, run

    wanted = load_limits(limits)
    chosen = chosen_checks(only or [])
    book = book or out / "book.sqlite"
    check_place(out, book)
    progress = _Progress(quiet=as_json)
    with open_unit(port) as unit, opened_bench(unit, wanted, serial, altitude, rig, _terminal()) as bench:
        record = run(
            bench,
            Place(station, operator, rig_calibrated),
            Made(board_revision, pump_lot),
            checks=chosen,
            whole=not only,
            on_start=progress.start,
            on_done=progress.done,
        )
    kept = keep(record, out, book)
    _say(record, kept, as_json)
    raise typer.Exit(NOT_KEPT if kept.problems else EXIT_CODES[record.verdict])


def _terminal() -> Terminal | None:
    """The person at this terminal, where there is one."""
    from airquill_hil.opening import Terminal

    return Terminal(tell) if sys.stdin.isatty() else None


class _Progress:
    """A line for each check, on standard error where standard output is JSON."""

    def __init__(self, quiet: bool) -> None:
        self._console = console()
        self._quiet = quiet

    def start(self, check: Check) -> None:
        if not self._quiet and self._console.is_terminal:
            self._console.print(f"… {check.title}", end="\r", style="dim")

    def done(self, record: CheckRecord) -> None:
        from airquill_hil.run import failure_line

        if self._quiet:
            return
        figures = ", ".join(
            f"{figure.name} {figure.shown}" for figure in record.figures if not isinstance(figure.value, bool)
        )
        self._console.print(
            f"[{_COLOURS[record.outcome]}]{record.outcome:<9}[/]{record.title:<24}{figures or record.sentence}",
            soft_wrap=True,
        )
        for figure in record.figures:
            if figure.outcome in ("fail", "marginal"):
                self._console.print(f"         {failure_line(figure)}", soft_wrap=True, markup=False)
            elif figure.outcome == "skipped":
                self._console.print(f"         {figure.name}: {figure.note}", soft_wrap=True, markup=False)


def _say(record: Record, kept: Kept, as_json: bool) -> None:
    if as_json or kept.record is None:  # no disk took it: whoever reads this output has the only copy
        typer.echo(record.model_dump_json(indent=2))
    if not as_json:
        colour = {"accepted": "green", "partial": "yellow", "rejected": "red", "error": "magenta"}[record.verdict]
        typer.secho(f"{record.verdict.capitalize()}. {record.sentence}", fg=colour, bold=True)
        if record.baseline:
            typer.echo(f"Baseline, which the unit keeps: {record.baseline}")
        if kept.record is not None:
            typer.echo(f"Record: {kept.record}." + (f" Page: {kept.page}" if kept.page else ""))
    for problem in kept.problems:
        typer.secho(problem, err=True, fg="red")
