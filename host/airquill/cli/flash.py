"""`airquill flash`."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from airquill.cli.common import Json, Port, progress, warn, write_json

app = typer.Typer()


@app.command(epilog="Example: airquill flash heather-bench.uf2")
def flash(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The image.")],
    volume: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Boot volume; without it, the only one there is.")
    ] = None,
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Put an image onto a unit, or onto a bare board.

    A running unit is asked to show its boot volume; a board does so when you hold BOOTSEL while plugging it in. The
    image is copied, and the unit must come back and greet with the image's version. Its settings stay, unless the image
    carries a profile. When it breaks off anywhere, run it again, with the button if need be.
    """
    from airquill.image.flash import checked_image, find_volume
    from airquill.image.flash import flash as put
    from airquill.image.update import dropped
    from airquill.link.client import Client

    began = time.monotonic()
    report = checked_image(file)
    for warning in report.warnings:
        warn(warning)
    if port is None and volume is None and find_volume([]) is None:
        port = _only_unit()
    if port is not None:
        with Client.open(port) as unit:
            if unit.greeting.board not in ("virtual", report.wiring):
                warn(f"The unit's wiring is {unit.greeting.board}, the image's {report.wiring}.")
            lost = dropped(unit, report.setting_ids)
        if lost:
            warn(f"The image's version does not know these settings, which stop working: {', '.join(lost)}.")
    if report.settings is not None:
        warn("The image carries a profile: the unit's settings are replaced by it.")
    with progress("Copying", report.image_bytes, quiet=as_json) as advance:
        flashed = put(file, report, port, volume, advance)
    said, took_s = flashed.greeting, time.monotonic() - began
    if as_json:
        write_json(
            {"port": flashed.port, "build": said.build, "firmware": said.firmware, "boots": said.boots}
            | {"bytes": report.image_bytes, "took_s": round(took_s, 2)}
        )
    else:
        typer.echo(f"The unit at {flashed.port} runs {said.firmware}, build {said.build}, after {took_s:.1f} s.")


def _only_unit() -> str | None:
    """The only unit there is, or None where there is none, so that what to do about it is said by flash."""
    from airquill.link.discovery import candidates, the_only_unit

    return the_only_unit() if any(one.kind != "board" for one in candidates()) else None
