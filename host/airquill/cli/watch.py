"""`airquill watch`: live readings."""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Iterator
from typing import Annotated, Any

import typer

from airquill.cli.common import Json, Port, open_unit
from airquill.cli.complete import complete_shown

app = typer.Typer()

DEFAULT = ("vacuum.kpa", "pump.duty_pct", "cycle.state", "cycle.grip", "pedal1.down", "pedal2.down")


@app.command(
    epilog="Examples: airquill watch, airquill watch vacuum.kpa supply.volts --json --seconds 10 > trace.jsonl"
)
def watch(
    readings: Annotated[
        list[str] | None, typer.Argument(metavar="[READING]...", autocompletion=complete_shown, help="What to watch.")
    ] = None,
    seconds: Annotated[float | None, typer.Option(min=0.1, help="Stop after this time; without it, on Ctrl-C.")] = None,
    every_ms: Annotated[int, typer.Option(min=10, max=60000, help="Time between two readings.")] = 100,
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Watch readings as they change: a picture on a terminal, a line each when piped, JSON lines with --json."""
    from airquill.link.convert import plain
    from airquill.link.lookup import find_entries

    with open_unit(port) as unit:
        paths = [entry.path for entry in find_entries(readings or DEFAULT, (), unit.readings())]
        lines = _samples(unit, every_ms, paths, seconds)
        if as_json:
            for line in lines:
                typer.echo(json.dumps(line, default=float))
        elif sys.stdout.isatty():
            _live(lines)
        else:
            for line in lines:
                typer.echo(" ".join(f"{path}={plain(value)}" for path, value in line.items()))


def _samples(unit: Any, every_ms: int, paths: list[str], seconds: float | None) -> Iterator[dict[str, Any]]:
    """Readings as they come, each with `at_s` from the first on."""
    unit.stream(every_ms, *paths)
    try:
        first: float | None = None
        for event in unit.events(float("inf") if seconds is None else seconds):
            if event.topic == "reading":
                first = event.at_s if first is None else first
                yield {"at_s": round(event.at_s - first, 3), **event.fields}
    finally:
        from airquill.errors import AirquillError

        with contextlib.suppress(AirquillError):
            unit.stream(0)


def _live(lines: Iterator[dict[str, Any]]) -> None:
    from rich.live import Live

    from airquill.cli.common import console
    from airquill.cli.watch_view import picture

    with Live(console=console(), refresh_per_second=10) as live:
        for line in lines:
            line.pop("at_s")
            live.update(picture(line, {"held": "green", "none": "yellow"}))
