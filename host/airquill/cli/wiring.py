"""`airquill wiring`: is a unit wired as its wiring file says?"""

from __future__ import annotations

import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from airquill.cli.common import Json, Port, open_unit, tell, write_json
from airquill.errors import AirquillError

if TYPE_CHECKING:
    from airquill.link.client import Client
    from airquill_hil.wiring_walk import Hands

app = typer.Typer(help="Check a unit's wiring, or a wiring file.", no_args_is_help=True)


@app.callback()
def wiring() -> None:
    """Check a unit's wiring, or a wiring file."""


@app.command(epilog="Examples: airquill wiring check, airquill wiring check mine.json")
def check(
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="A wiring file to look into, without a unit.")
    ] = None,
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Go through a unit's wiring with a person: each input is asked for, each output moves alone, the pump last.

    Nothing is changed: the unit is in its safe state afterwards, with its settings as before. With FILE only that file
    is checked, as the unit would. Leaves with 1 when something is not as wired.
    """
    if file is not None:
        _file(file, as_json)
        return
    from airquill_hil.wiring_walk import CAUTIONS, walk

    found: list[Any] = []
    with ExitStack() as stack:
        unit = stack.enter_context(open_unit(port))
        hands = _hands(unit, stack)
        for caution in CAUTIONS:
            tell(caution)
        for finding in walk(unit, hands):
            found.append(finding)
            if not as_json:
                colour = "green" if finding.right else "red"
                typer.secho(f"{'right' if finding.right else 'wrong':<6}", fg=colour, nl=False)
                typer.echo(f"{finding.part:<20}{finding.sentence}")
    wrong = sum(not finding.right for finding in found)
    if as_json:
        write_json([vars(finding) for finding in found])
    else:
        typer.echo(f"{len(found) - wrong} of {len(found)} parts are as wired.")
    raise typer.Exit(1 if wrong else 0)


def _hands(unit: Client, stack: ExitStack) -> Hands:
    """Those around a virtual unit, or those of the person at this terminal. AirquillError when there is neither."""
    from airquill.link.ready import ask_ready
    from airquill.tuning.hands import control_of
    from airquill_hil.wiring_walk import PersonHands, VirtualHands

    control = control_of(unit)
    if control is not None:
        stack.callback(control.close)
        return VirtualHands(control)
    if not sys.stdin.isatty():
        raise AirquillError("This needs a person who looks and answers. Run it at a terminal.")
    return PersonHands(lambda sentence, pedals: ask_ready(unit, sentence, tell, pedals), _ask, tell)


def _ask(sentence: str) -> str:
    tell(sentence)
    line = sys.stdin.readline()
    if not line:
        raise KeyboardInterrupt
    return line


def _file(path: Path, as_json: bool) -> None:
    from airquill_device import wiring as device_wiring

    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise AirquillError(f"{path} cannot be read as text. Name a wiring file.") from error
    data, problem = device_wiring.read(text)
    if data is None:
        raise AirquillError(f"{path}: {problem}")
    uses = device_wiring.uses(data)
    if as_json:
        write_json({"board": data["board"], "pins": dict(uses)})
        return
    typer.echo(f"{path} is sound: {data['board']}.")
    for what, pin in uses:
        typer.echo(f"GPIO {pin:>2}  {what}")
