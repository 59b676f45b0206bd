"""`airquill update`."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from airquill.cli.common import Json, Port, open_unit, progress, warn, write_json

app = typer.Typer()


@app.command(epilog="Example: airquill update, or with a source tree of your own: airquill update --from ~/airquill")
def update(
    tree: Annotated[
        Path | None, typer.Option("--from", metavar="DIR", help="Source tree; without it, the installed firmware.")
    ] = None,
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Give a unit another version of the firmware over its serial port, while it runs.

    Only files that differ are sent, beside those that run. The new version is then started once, and kept when it has
    greeted; if it does not, the unit goes back to the one before. Settings, wiring and add-ons stay. Not while vacuum
    is on. When it breaks off, run it again: it goes on from there.
    """
    from airquill.errors import AirquillError
    from airquill.image.flash import waits_for_an_image
    from airquill.image.update import carry_out, dropped, keep, make_plan, try_out

    began = time.monotonic()
    try:
        unit = open_unit(port)
    except AirquillError as error:
        raise waits_for_an_image() or error from error
    with unit:
        plan = make_plan(unit, tree)
        if plan.build == plan.before:
            if plan.on_trial:
                keep(unit)
            if as_json:
                write_json({"build": plan.build, "before": plan.before, "sent": {}, "copied": 0})
            else:
                typer.echo(f"The unit runs this version already: {plan.firmware}, build {plan.build}.")
            return
        lost = dropped(unit, plan.setting_ids)
        if lost:
            warn(f"The new version does not know these settings, which stop working: {', '.join(lost)}.")
        with progress("Sending", plan.send_bytes, quiet=as_json) as advance:
            carry_out(unit, plan, advance)
        said = try_out(unit, plan)
    took_s = time.monotonic() - began
    if as_json:
        sent = {name: len(content) for name, content in plan.send.items()}
        write_json(
            {
                "build": said.build,
                "before": plan.before,
                "sent": sent,
                "copied": len(plan.copy),
                "took_s": round(took_s, 2),
            }
        )
    else:
        typer.echo(
            f"The unit runs {said.firmware}, build {said.build}: {len(plan.send)} files sent ({plan.send_bytes} bytes) "
            f"in {took_s:.1f} s."
        )
