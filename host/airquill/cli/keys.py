"""`airquill keys`: what the pedals and the pick cycle type."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from airquill.cli.common import Json, Layout, Port, open_unit, table, warn, write_json
from airquill.cli.keys_watch import watch
from airquill.errors import AirquillError

if TYPE_CHECKING:
    from airquill.link.client import Client

app = typer.Typer(help="Bind key strokes to pedals and to the pick cycle.", no_args_is_help=True)
app.command(epilog="Examples: airquill keys watch, airquill keys watch --seconds 10 --json")(watch)

Strokes = Annotated[
    str, typer.Argument(metavar="STROKES", help='Keys, such as "Down Arrow" or "Tab times 3, Enter"; none unbinds.')
]


class Pedal(StrEnum):
    """A pedal, by number or by word."""

    ONE = "1"
    TWO = "2"
    FIRST = "first"
    SECOND = "second"

    @property
    def number(self) -> int:
        return 1 if self in (Pedal.ONE, Pedal.FIRST) else 2


class Gesture(StrEnum):
    TAP = "tap"
    HOLD = "hold"
    DOUBLE = "double"


class CycleEvent(StrEnum):
    GRIPPED = "gripped"
    RELEASED = "released"
    MISSED = "missed"
    LOST = "lost"


@app.command("list", epilog="Example: airquill keys list --layout de")
def list_(port: Port = None, layout: Layout = "us", as_json: Json = False) -> None:
    """Show what is bound, and what it types on a PC with that keyboard layout."""
    from airquill.keys import describe
    from airquill.profile.overview import bindings

    with open_unit(port) as unit:
        bound = [binding for binding in bindings(unit.all_settings()) if binding.text]
    if as_json:
        write_json([binding.as_json(layout) for binding in bound])
        return
    table(
        ("Where", "Stroke", f"On a PC with layout {layout} it"),
        [(one.where, one.text, describe(one.program, layout) if one.program else "") for one in bound],
    )


@app.command(epilog='Example: airquill keys bind second tap "Page Down"')
def bind(
    pedal: Annotated[Pedal, typer.Argument(help="Which pedal.")],
    gesture: Annotated[Gesture, typer.Argument(help="Which gesture of it.")],
    strokes: Strokes,
    context: typer.Context,
    layout: Layout = "us",
    port: Port = None,
) -> None:
    """Bind strokes to a gesture of a pedal, and save."""
    _bind(context, f"pedal{pedal.number}.{gesture.value}_keys", strokes, layout, port)


@app.command(epilog='Example: airquill keys on released "Down Arrow"')
def on(
    event: Annotated[CycleEvent, typer.Argument(help="What happened to the part.")],
    strokes: Strokes,
    context: typer.Context,
    layout: Layout = "us",
    port: Port = None,
) -> None:
    """Bind strokes to an event of the pick cycle, and save. A failed pick then never moves your guide on."""
    _bind(context, f"keys.on_{event.value}", strokes, layout, port)


def _bind(context: typer.Context, path: str, strokes: str, layout: str, port: str | None) -> None:
    from airquill.keys import check, describe
    from airquill.profile.written import read_stroke, stroke_text

    if not strokes.strip():
        raise AirquillError(f"{path}: The stroke is empty. Name a key, such as Down Arrow; none unbinds.")
    program = read_stroke(path, strokes, layout)
    with open_unit(port) as unit:
        _need_permission(unit, path, program)
        unit.set({path: program}, keep=True)
        waits = _waits(unit, path) if program else ""
    if not program:
        typer.echo(f"{path}: nothing bound. Saved.")
        return
    typer.echo(f"{path}: {stroke_text(program)}, which {describe(program, layout)}. Saved.{waits}")
    # What the keys come to on other layouts is news only to somebody who did not say which one the PC has.
    source = context.get_parameter_source("layout")
    unsaid = source is not None and source.name == "DEFAULT"
    for finding in check(program, layout):
        if finding.kind == "moves" and not unsaid:
            continue
        warn(finding.sentence + (" Name yours with --layout." if finding.kind == "moves" else ""))


def _waits(unit: Client, path: str) -> str:
    """What binding another gesture costs a tap of the same pedal; empty where it costs nothing."""
    from airquill.link.convert import plain

    pedal, _, name = path.partition(".")
    if name == "double_keys":
        ms = unit.get(f"{pedal}.double_ms")[f"{pedal}.double_ms"]
        return f" A tap of this pedal now waits {plain(ms)} ms for a second one."
    return " A tap of this pedal now counts when the pedal comes up." if name == "hold_keys" else ""


def _need_permission(unit: Client, path: str, program: bytes) -> None:
    """AirquillError when a setting of the unit does not allow this stroke yet, with how to switch it on."""
    from airquill.keys import needed_settings, reasons

    needed = needed_settings(program)
    off = [name for name, on in unit.get(*needed).items() if not on]
    if off:
        names = "=on ".join(off)
        raise AirquillError(
            f"{path}: The unit does not take this stroke while {' and '.join(off)} {'is' if len(off) == 1 else 'are'} "
            f"off, because it {reasons(program)[0]}. If that is what you want: airquill set --keep {names}=on"
        )


@app.command("check", epilog="""Example: airquill keys check "'20 pcs', Enter" --layout de""")
def check_(strokes: Strokes, layout: Layout = "us", as_json: Json = False) -> None:
    """Say what strokes come to, without a unit: their keys, what they type, what to mind."""
    from airquill.keys import check, describe, parse, reasons

    stroke = parse(strokes, layout)
    program = stroke.program
    findings, why = check(program, layout), reasons(program)
    if as_json:
        found: list[dict[str, Any]] = [vars(finding) for finding in findings]
        write_json(
            {
                "stroke": stroke.text,
                "program": program,
                "types": describe(program, layout),
                "consent": why,
                "findings": found,
            }
        )
        return
    typer.echo(f"{stroke.text}: {describe(program, layout)}.")
    for finding in findings:
        typer.echo(f"- {finding.sentence}")
    for reason in why:
        typer.echo(f"- In a profile it needs your consent, because it {reason}.")


@app.command(epilog="Example: airquill keys layouts")
def layouts(as_json: Json = False) -> None:
    """List the keyboard layouts that text can be typed for."""
    from airquill.keys import LAYOUT_NAMES, layout

    titles = {name: layout(name).title for name in LAYOUT_NAMES}
    if as_json:
        write_json(titles)
    else:
        table(("Layout", "Title"), list(titles.items()))


@app.command(epilog="Example: airquill keys names arrow")
def names(
    word: Annotated[str, typer.Argument(metavar="[WORD]", help="Only names that hold this.")] = "",
    as_json: Json = False,
) -> None:
    """List the names of keys."""
    from airquill.keys import NAMES

    found = {usage: name for usage, name in NAMES.items() if word.casefold() in name.casefold()}
    if as_json:
        write_json({name: usage for usage, name in found.items()})
    elif found:
        table(("Name", "Usage"), [(name, f"0x{usage:02X}") for usage, name in found.items()])
    if not found:
        raise AirquillError(f"No key has {word!r} in its name. `airquill keys names` lists them all.", 1)
