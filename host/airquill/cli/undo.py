"""`airquill undo`."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from airquill.cli.common import Port, open_unit
from airquill.cli.consent import consent, show_changes

app = typer.Typer()


@app.command(epilog="Example: airquill undo")
def undo(
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    port: Port = None,
) -> None:
    """Go back to the settings that were saved before the last change.

    Shows what is different and asks; until then nothing is saved. Undone twice, it is as it was.
    """
    from airquill.errors import AirquillError
    from airquill.profile.exchange import Difference

    with open_unit(port) as unit:
        if not yes and not sys.stdin.isatty():
            raise AirquillError("Nothing was changed: this needs your consent. Add --yes.")
        before = unit.all_settings()
        unit.do("undo")  # runs them, for now
        after = unit.all_settings()
        changes = [
            Difference(entry, before[entry.path], after[entry.path])
            for entry in unit.settings()
            if before[entry.path] != after[entry.path]
        ]
        if not changes:
            typer.echo("The settings before the last change were the same.")
            return
        show_changes(changes, ("Now", "Before"))
        try:
            # They were this unit's own, so strokes need no second consent.
            consent(changes, yes, yes_keys=True)
        except BaseException:
            unit.set({change.path: change.on_unit for change in changes})
            raise
        unit.save()
    typer.echo(f"Undone and saved: {len(changes)} change{'s' if len(changes) != 1 else ''}.")
