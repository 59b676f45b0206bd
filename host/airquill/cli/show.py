"""`airquill show`: what a unit is, has and does."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from airquill.cli.common import Json, Port, open_unit, table, write_json
from airquill.cli.complete import complete_shown

app = typer.Typer()


@app.command(epilog="Examples: airquill show, airquill show pump preset.active, airquill show readings --json")
def show(
    names: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[PATH|GROUP|settings|readings]...", autocompletion=complete_shown, help="What to show."
        ),
    ] = None,
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Show a unit: what it is, what it does, what its pedals do; or the settings and readings that are named."""
    from airquill.profile.overview import overview

    with open_unit(port) as unit:
        if names:
            _named(unit, names, as_json)
            return
        seen = overview(unit)
    if as_json:
        write_json(seen.as_json())
        return
    width = max(len(title) for title, _ in seen.lines)
    for title, text in seen.lines:
        typer.echo(f"{title:<{width}}  {text}")


def _named(unit: Any, names: list[str], as_json: bool) -> None:
    from airquill.link.lookup import find_entries
    from airquill.profile.written import written

    entries = find_entries(names, unit.settings(), unit.readings())
    values = unit.get(*(entry.path for entry in entries))
    if as_json:
        write_json({entry.path: values[entry.path] for entry in entries})
        return
    rows = [(entry.path, written(entry, values[entry.path]), entry.help) for entry in entries]
    table(("Path", "Value", "What it is"), rows)
