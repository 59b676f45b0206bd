"""`airquill chip`: the firmware on an emulated chip, to talk to or to measure."""

from __future__ import annotations

import json
import os
import signal
import sys
from contextlib import closing
from pathlib import Path
from typing import Annotated, Any

import typer

from airquill.cli.common import Json, table, write_json
from airquill.errors import AirquillError
from airquill.simulator.platform import require_unix

NO = 1

app = typer.Typer(help="Run the firmware on an emulated chip, or measure it there.", no_args_is_help=True)

Uf2 = Annotated[
    Path,
    typer.Option(
        "--stock-uf2",
        envvar="AIRQUILL_STOCK_UF2",
        metavar="FILE",
        help="Stock MicroPython for the RP2040, or an image that was built from one.",
    ),
]


@app.command(epilog="Example: airquill chip run --stock-uf2 RPI_PICO-v1.28.0.uf2, then airquill show --port PORT")
def run(
    stock_uf2: Uf2,
    as_json: Annotated[
        bool, typer.Option("--json", help="Write port and process id as one JSON line when ready.")
    ] = False,
) -> None:
    """Run the firmware on an emulated RP2040 until Ctrl-C; it looks like a unit on a serial port.

    The emulated chip is slower than a real one, some fifteen times while it works.
    """
    _need_emulator()
    require_unix()
    from airquill_hil.chip.bridge import PtyBridge
    from airquill_hil.chip.unit import Image, power_up

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: sys.exit(0))  # on the way out the port and the built image are removed
    with closing(Image(stock_uf2)) as image:
        bridge = PtyBridge(power_up(image))
        if as_json:
            typer.echo(json.dumps({"port": bridge.path, "pid": os.getpid()}))
        else:
            typer.echo(f"The emulated unit is at {bridge.path}. End it with Ctrl-C.")
        sys.stdout.flush()
        bridge.serve()


@app.command(epilog="Example: airquill chip measure --stock-uf2 RPI_PICO-v1.28.0.uf2 --json > docs/chip-measure.json")
def measure(stock_uf2: Uf2, as_json: Json = False) -> None:
    """Measure this firmware's timing and memory in emulated time, each figure beside its limit.

    Takes many minutes. Exit code 1 when a limit is not kept.
    """
    _need_emulator()
    from rich.console import Console
    from rich.progress import Progress

    from airquill_hil.chip import figures

    with Progress(console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()) as progress:
        task = progress.add_task("Measuring", total=len(figures.GROUPS))
        result = figures.measure(stock_uf2, lambda _group: progress.advance(task))
    if as_json:
        write_json(result)
    else:
        table(("Figure", "Value", "Limit", ""), [_row(figure) for figure in result["figures"]])
    if not all(figure["ok"] for figure in result["figures"]):
        raise typer.Exit(NO)


def _row(figure: dict[str, Any]) -> tuple[str, str, str, str]:
    limit = ""
    if figure["limit"] is not None:
        limit = f"{'at least' if figure['at_least'] else 'at most'} {figure['limit']:g} {figure['unit']}"
    return figure["name"], f"{figure['value']:g} {figure['unit']}", limit, "" if figure["ok"] else "not kept"


def _need_emulator() -> None:
    try:
        import rp2040py  # noqa: F401
    except ImportError as error:
        raise AirquillError("The chip emulator is not installed. Install it: pip install 'airquill[chip]'.") from error
