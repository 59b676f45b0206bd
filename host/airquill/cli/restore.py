"""`airquill restore`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from airquill.cli.common import Port, open_unit, warn
from airquill.cli.consent import consent, show_changes

app = typer.Typer()


@app.command(epilog="Example: airquill restore heather-07.zip --yes")
def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A file that `airquill backup` wrote.")],
    everything: Annotated[
        bool, typer.Option("--all", help="Also serial and calibration, onto another unit than the backup's.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    yes_keys: Annotated[
        bool, typer.Option("--yes-keys", help="Agree to the strokes that need consent: those shown in red.")
    ] = False,
    port: Port = None,
) -> None:
    """Make a unit run and keep the settings of a backup: all of them or nothing.

    Onto the unit that the backup is of, its serial and calibration come along; another unit keeps its own. Counters and
    log are not written back: they are what really happened.
    """
    from airquill.profile.archive import changes_of, read_backup
    from airquill.profile.exchange import apply

    saved = read_backup(file)
    with open_unit(port) as unit:
        same = everything or saved.chip == unit.greeting.chip
        changes, lost = changes_of(saved, unit.settings(), unit.all_settings(), same)
        if lost:
            warn(f"Dropped, because this unit's firmware does not have them or cannot hold them: {', '.join(lost)}.")
        if changes:
            show_changes(changes, ("Unit", "Backup"))
            consent(changes, yes, yes_keys)
        apply(unit, changes)
    typer.echo(
        f"Restored and saved: {len(changes)} change{'s' if len(changes) != 1 else ''}."
        if changes
        else "Nothing to change."
    )
    if not same:
        typer.echo("Serial and calibration are this unit's own; --all takes those of the backup.")
