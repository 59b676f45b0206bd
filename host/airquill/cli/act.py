"""`airquill do`: the unit's actions."""

from __future__ import annotations

from typing import Annotated

import typer

from airquill.cli.common import Json, Layout, Port, open_unit, table, write_json
from airquill.cli.complete import complete_action

app = typer.Typer()


@app.command("do", epilog='Examples: airquill do pick, airquill do preset 3, airquill do strike "Down Arrow"')
def do(
    action: Annotated[
        str | None,
        typer.Argument(
            metavar="[ACTION]", autocompletion=complete_action, help="What to do; without it, all there is."
        ),
    ] = None,
    arguments: Annotated[list[str] | None, typer.Argument(metavar="[ARG]...", help="What it takes.")] = None,
    layout: Layout = "us",
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Tell a unit to do something: pick, release, stop, clear, learn and so on."""
    from airquill.link.catalogue import ACTIONS
    from airquill.link.entries import ADDON
    from airquill.link.lookup import find_action
    from airquill.profile.assign import read_arguments

    if action is None:
        rows = [(one.name, " ".join(arg.name.upper() for arg in one.arguments), one.help) for one in ACTIONS]
        table(("Action", "Takes", "What it does"), rows)
        return
    # What an add-on can do only its unit knows; anything else is judged without one.
    entry = None if action.startswith(ADDON) else find_action(action, ACTIONS)
    values = read_arguments(entry, arguments or [], layout) if entry else []
    with open_unit(port) as unit:
        if entry is None:
            entry = find_action(action, unit.actions())
            values = read_arguments(entry, arguments or [], layout)
        said = unit.do(entry.name, *values)
    if as_json:
        write_json(said)
    else:
        typer.echo(", ".join([f"{entry.name}: done", *(f"{name} {text}" for name, text in said.items())]))
