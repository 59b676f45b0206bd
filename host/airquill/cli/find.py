"""`airquill find`: what is plugged in."""

from __future__ import annotations

from typing import Annotated

import typer

from airquill.cli.common import Json, table, write_json

app = typer.Typer()


@app.command(epilog="Example: airquill find --json")
def find(
    port: Annotated[str | None, typer.Option("--port", metavar="URL", help="Look at this port alone.")] = None,
    as_json: Json = False,
) -> None:
    """Find units, virtual units, boards without Airquill and boot volumes.

    Only ports whose USB product string says Airquill are written to. With --port that port is greeted, whatever it is.
    Leaves with 3 when there is no unit.
    """
    from airquill.link import discovery

    found = discovery.find_at(port) if port else discovery.find()
    if as_json:
        write_json([one.as_json() for one in found])
    elif found:
        table(
            ("Port", "What", "Name", "Board", "Chip", "Firmware"),
            [(one.port, one.kind, one.name, one.board, one.chip, one.firmware) for one in found],
        )
        for one in found:
            if one.next:
                typer.echo(f"{one.port}: {one.next}")
    else:
        discovery.the_only_unit()
    if not any(one.is_unit for one in found):
        raise typer.Exit(3)
