"""`airquill set`: change settings."""

from __future__ import annotations

from typing import Annotated

import typer

from airquill.cli.common import Layout, Port, open_unit
from airquill.cli.complete import complete_assignment

app = typer.Typer()


@app.command(
    "set",
    epilog="Examples: airquill set pump.idle_pct=35 preset.active=3, "
    'airquill set --keep "pedal2.tap_keys=Left Control + Page Down"',
)
def set_(
    assignments: Annotated[
        list[str], typer.Argument(metavar="PATH=VALUE...", autocompletion=complete_assignment, help="What to change.")
    ],
    keep: Annotated[bool, typer.Option("--keep", help="Save, so that the values outlast a restart.")] = False,
    layout: Layout = "us",
    port: Port = None,
) -> None:
    """Change settings, all of them or none. Without --keep they last until the unit restarts."""
    from airquill.profile.assign import read_assignments
    from airquill.profile.written import written

    with open_unit(port) as unit:
        entries = unit.settings()
        values = read_assignments(assignments, entries, layout)
        unit.set(values, keep=keep)
    for entry in entries:
        if entry.path in values:
            typer.echo(f"{entry.path} = {written(entry, values[entry.path])}")
    typer.echo("Saved." if keep else "This lasts until the unit restarts; add --keep to save it.")
