"""`airquill pedals`: how the pedals bounce, and whether they are wired right."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from airquill.cli.common import Json, Port, console, open_unit, tell, warn, write_json

if TYPE_CHECKING:
    from airquill.link.client import Client
    from airquill.pedals.bounce import Bounce, Spread
    from airquill.pedals.feet import Feet
    from airquill.pedals.wiring import Finding

app = typer.Typer(help="Foot pedals: record their bounce, check their wiring.", no_args_is_help=True)

Number = Annotated[int, typer.Argument(metavar="[PEDAL]", min=1, max=2, help="Which pedal.")]


@app.command(epilog="Examples: airquill pedals record 2, airquill pedals record 1 --presses 50 --out bounce.html")
def record(
    pedal: Number = 1,
    presses: Annotated[int, typer.Option(min=1, max=1000, help="How many presses to take.")] = 20,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Write a page with plots.")] = None,
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Record how a pedal's contact bounces, and say which press_ms and release_ms it wants, and why.

    Press it as you would at work; meanwhile the pedals switch nothing and type nothing. Nothing is changed. A virtual
    unit presses its own.
    """
    from airquill.pedals.record import record as take

    with contextlib.ExitStack() as stack:
        unit = stack.enter_context(open_unit(port))
        feet = _feet(unit, stack, presses)
        if out:
            _check_place(out)
        with _progress(presses) as on_press:
            bounce = take(unit, pedal, presses, feet, on_press)
        name = str(unit.get("unit.name")["unit.name"]) or unit.greeting.chip
    if out:
        _write_page(bounce, f"unit {name}", out)
    if as_json:
        write_json(bounce.as_json())
        return
    for line in _lines(bounce):
        typer.echo(line)
    for warning in bounce.warnings:
        warn(warning)
    if out:
        typer.echo(f"Page: {out}")


@app.command(epilog="Examples: airquill pedals check, airquill pedals check 1")
def check(
    pedal: Annotated[
        int | None, typer.Argument(metavar="[PEDAL]", min=1, max=2, help="Only this one; without it, both.")
    ] = None,
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Check wiring, polarity and chain: asks for a press of each pedal, and for both together.

    Meanwhile the pedals switch nothing and type nothing. Leaves with 0 when all is right and with 1 when not.
    """
    from airquill.pedals.wiring import check as look

    def show(finding: Finding) -> None:
        if not as_json:
            console().print(("[green]good[/]  " if finding.ok else "[red]wrong[/] ") + finding.sentence, soft_wrap=True)

    with contextlib.ExitStack() as stack:
        unit = stack.enter_context(open_unit(port))
        found = look(unit, (pedal,) if pedal else (1, 2), _feet(unit, stack), show)
    if as_json:
        write_json([finding.as_json() for finding in found])
    if not all(finding.ok for finding in found):
        raise typer.Exit(1)


def _feet(unit: Client, stack: contextlib.ExitStack, presses: int = 1) -> Feet:
    """A virtual unit's own feet, else those of the person at this terminal. AirquillError when there is neither."""
    from airquill.errors import AirquillError
    from airquill.pedals.feet import PersonFeet, VirtualFeet
    from airquill.tuning.hands import control_of

    control = control_of(unit)
    if control is not None:
        stack.callback(control.close)
        return VirtualFeet(control)
    if not sys.stdin.isatty():
        raise AirquillError("This needs a person's foot: run it at a terminal.")
    return PersonFeet(tell, presses)


@contextlib.contextmanager
def _progress(presses: int) -> Iterator[Callable[[int], None]]:
    """A bar on standard error, where that is a terminal."""
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), disable=not sys.stderr.isatty(), transient=True) as bar:
        task = bar.add_task("Presses", total=presses)
        yield lambda count: bar.update(task, completed=count)


def _check_place(out: Path) -> None:
    """Nobody presses a pedal twenty times for a page that then cannot be written."""
    from airquill.errors import AirquillError

    if out.is_dir() or not out.parent.is_dir():
        raise AirquillError(f"{out} cannot be written: name a file in a folder that is there.")


def _write_page(bounce: Bounce, unit: str, out: Path) -> None:
    import time

    from airquill.report.bounce import bounce_page
    from airquill.report.files import write_whole

    write_whole(out, bounce_page(bounce, unit, time.strftime("%Y-%m-%d %H:%M")))


def _lines(bounce: Bounce) -> list[str]:
    def spread(name: str, one: Spread) -> str:
        return (
            f"{name:<10}{one.bursts} bursts, median {one.median_ms} ms, 95 of 100 within {one.p95_ms} ms, "
            f"longest {one.longest_ms} ms, up to {one.most_edges} edges"
        )

    n = bounce.pedal
    return [
        spread("Pressed", bounce.press),
        spread("Let go", bounce.release),
        f"pedal{n}.press_ms={bounce.press_ms}: {bounce.press_reason}",
        f"pedal{n}.release_ms={bounce.release_ms}: {bounce.release_reason}",
        f"To set them: airquill set --keep pedal{n}.press_ms={bounce.press_ms} pedal{n}.release_ms={bounce.release_ms}",
    ]
