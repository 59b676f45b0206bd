"""`airquill backup`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from airquill.cli.common import Json, Port, open_unit, write_json

app = typer.Typer()


@app.command(epilog="Example: airquill backup heather-07.zip")
def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The file to write, a zip archive.")],
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Save what a unit knows into one file: settings, calibration, counters, log and versions.

    The file also holds the settings as a profile, to be read or applied by itself.
    """
    from airquill.profile.archive import write_backup

    with open_unit(port) as unit:
        made = write_backup(file, unit)
    if as_json:
        write_json({"file": str(file), "chip": made.chip, "settings": len(made.settings), "log": len(made.log)})
    else:
        typer.echo(
            f"{file}: {len(made.settings)} settings, {len(made.readings)} readings, {len(made.log)} log entries."
        )
