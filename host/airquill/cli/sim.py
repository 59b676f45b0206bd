"""`airquill sim`: run a virtual unit."""

from __future__ import annotations

import json
import os
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from airquill.errors import AirquillError
from airquill.link.state import announce, withdraw
from airquill.simulator.platform import require_unix

if TYPE_CHECKING:
    from airquill.simulator.child import Child

app = typer.Typer(help="Run a virtual unit: no hardware needed.", no_args_is_help=True)


@app.callback()
def sim() -> None:
    """Run a virtual unit: no hardware needed."""


@app.command(
    epilog="Examples: airquill sim run --dir bench, then airquill show --port bench/port. "
    "airquill sim run --fault hose_leak=0.3 --needle 25, or airquill sim run --twin heather-07.json"
)
def run(
    folder: Annotated[
        Path | None,
        typer.Option("--dir", metavar="DIR", help="Folder that keeps the unit's flash; without it nothing is kept."),
    ] = None,
    needle: Annotated[int, typer.Option(metavar="GAUGE", help="Needle on the tip.")] = 22,
    fault: Annotated[
        list[str] | None, typer.Option(metavar="NAME=STRENGTH", help="A fault, 0 to 1; may be given several times.")
    ] = None,
    no_sensor: Annotated[bool, typer.Option("--no-sensor", help="Leave the vacuum sensor out.")] = False,
    no_panel: Annotated[bool, typer.Option("--no-panel", help="Leave knob and light bar out.")] = False,
    twin: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="A measured unit, as `airquill tune` wrote it; else a usual one."),
    ] = None,
    seed: Annotated[int, typer.Option(help="What is left to chance follows from it; also the chip's number.")] = 1,
    as_json: Annotated[
        bool, typer.Option("--json", help="Write port, folder and process id as one JSON line when ready.")
    ] = False,
) -> None:
    """Run a virtual unit until Ctrl-C: the real firmware on a real MicroPython, with physics for hardware.

    It looks like a unit on a serial port. What a hand would do (press a pedal, seal the tip) goes through DIR/control.
    """
    require_unix()
    from airquill.simulator.child import Child, Options

    left_out = ("sensor" if no_sensor else "", "panel" if no_panel else "")
    options = Options(
        needle=needle,
        seed=seed,
        parts=tuple(part for part in Options().parts if part not in left_out),
        faults=dict(_fault(text) for text in fault or ()),
        made_of=_twin(twin) if twin else None,
    )
    with ExitStack() as stack:
        if folder is None:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="airquill-unit-")))
        unit = Child(folder, options)
        stack.callback(unit.close)
        stack.callback(withdraw, os.getpid())
        unit.run(lambda: _say(unit, as_json))


def _twin(path: Path) -> dict[str, dict[str, float]]:
    from airquill.twin.file import load_twin

    return load_twin(path).made_of()


def _fault(text: str) -> tuple[str, float]:
    name, _, strength = text.partition("=")
    try:
        return name, float(strength)
    except ValueError:
        raise AirquillError(f"--fault {text} is not NAME=STRENGTH, such as hose_leak=0.3.") from None


def _say(unit: Child, as_json: bool) -> None:
    announce(unit.port, unit.folder, os.getpid())
    if as_json:
        typer.echo(json.dumps({"port": unit.port, "folder": str(unit.folder.resolve()), "pid": os.getpid()}))
    else:
        typer.echo(f"The virtual unit is at {unit.port}, also {unit.folder / 'port'}.")
        typer.echo("End it with Ctrl-C.")
    sys.stdout.flush()
