"""`airquill restart`."""

from __future__ import annotations

import typer

from airquill.cli.common import Port, open_unit

app = typer.Typer()


@app.command(epilog="Example: airquill restart")
def restart(port: Port = None) -> None:
    """Restart a unit by way of its safe state, and wait until it is back."""
    with open_unit(port) as unit:
        unit.do("restart")
        said = unit.wait_for_restart()
    typer.echo(f"The unit is back: start {said.boots}, cause {said.cause}, firmware {said.firmware}.")
