"""`airquill log`: what went wrong in the unit's life."""

from __future__ import annotations

import typer

from airquill.cli.common import Json, Port, open_unit, table, write_json

app = typer.Typer()


@app.command(epilog="Example: airquill log --json")
def log(port: Port = None, as_json: Json = False) -> None:
    """Show the unit's log, oldest entry first: starts, faults and notices."""
    from airquill.link.history import log_lines

    with open_unit(port) as unit:
        lines = log_lines(unit.log(), unit.addons())
    if as_json:
        write_json([{**vars(line), "word": line.word, "sentence": line.sentence} for line in lines])
        return
    rows = [(str(line.number), f"{line.at_s} s", line.word, str(line.detail), line.sentence) for line in lines]
    table(("No.", "After start", "What", "Detail", "In words"), rows)
