"""`airquill keys watch`: what the PC really receives."""

from __future__ import annotations

import contextlib
import json
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from airquill.cli.common import Json, Port, open_unit, say

if TYPE_CHECKING:
    from airquill.keys import KeyEvent
    from airquill.keys.watching import Came
    from airquill.link.client import Client

_FOR_EVER_S = 1e9
# What terminals send for keys that type nothing (ECMA-48 and xterm's control sequences).
_SEQUENCES = {
    "\x1b[A": "Up Arrow", "\x1b[B": "Down Arrow", "\x1b[C": "Right Arrow", "\x1b[D": "Left Arrow",
    "\x1b[5~": "Page Up", "\x1b[6~": "Page Down", "\x1b[H": "Home", "\x1b[F": "End", "\x1b[Z": "Left Shift + Tab",
    "\r": "Enter", "\n": "Enter", "\t": "Tab", "\x1b": "Escape", "\x7f": "Backspace", " ": "Space",
}  # fmt: skip


def watch(
    seconds: Annotated[float | None, typer.Option(min=0.1, help="Stop after this time; without it, on Ctrl-C.")] = None,
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Show the keys that the PC receives from the unit, how long after the pedal each came, and how exact that is.

    On Linux they are read from the unit's own event device, wherever the cursor is. Elsewhere, and without that device,
    the terminal shows what it gets, so keep it in front. A virtual unit shows the reports that its computer took.
    """
    from airquill.keys.watching import watch as look

    with contextlib.ExitStack() as stack:
        unit = stack.enter_context(open_unit(port))
        received = _received(unit, stack)
        if received is None:
            _terminal(seconds or _FOR_EVER_S)
            return
        say("Press a pedal; Ctrl-C ends it.")
        for came in look(unit, received, seconds or _FOR_EVER_S):
            typer.echo(json.dumps(_data(came)) if as_json else _line(came))


def _received(unit: Client, stack: contextlib.ExitStack) -> Callable[[], Iterable[KeyEvent]] | None:
    """Where key events of this unit can be had, or None. AirquillError when its device may not be read."""
    from airquill.keys.received import EventDevice, event_device
    from airquill.keys.watching import CapturedReports
    from airquill.tuning.hands import control_of

    control = control_of(unit)
    if control is not None:
        stack.callback(control.close)
        return CapturedReports(control.reports)
    path = event_device(unit.greeting.chip)
    if path is None:
        return None
    device = stack.enter_context(EventDevice(path))
    return lambda: device.events(0.001)


def _data(came: Came) -> dict[str, object]:
    return {
        "us": came.key.time_us,
        "key": came.key.name,
        "usage": came.key.usage,
        "down": came.key.down,
        "pedal": came.pedal,
        "after_pedal_ms": came.after_pedal_ms,
        "within_ms": came.within_ms,
    }


def _line(came: Came) -> str:
    after = ""
    if came.after_pedal_ms is not None:
        after = f"  {came.after_pedal_ms:.1f} ms after pedal {came.pedal}, give or take {came.within_ms:.1f} ms"
    return f"{came.key.name} {'down' if came.key.down else 'up'}{after}"


def _terminal(seconds: float) -> None:
    """Show what this terminal receives. AirquillError where there is none."""
    from airquill.errors import AirquillError

    if not sys.stdin.isatty():
        raise AirquillError(
            "The unit's keyboard cannot be read here: on Linux it needs /dev/input, elsewhere a terminal in front."
        )
    for text in _typed(seconds):
        if not text:
            typer.echo("This terminal shows what it receives. Press a pedal; q or Ctrl-C ends it.")
            continue
        if text == "q":
            return
        codes = " ".join(f"{ord(character):02x}" for character in text)
        typer.echo(f"{_SEQUENCES.get(text, text if text.isprintable() else '?')}  (codes {codes})\r")


def _typed(seconds: float) -> Iterator[str]:
    """What comes in, a key at a time, without waiting for Enter; first an empty text, from when on nothing is lost."""
    end = time.monotonic() + seconds
    if sys.platform == "win32":
        import msvcrt

        yield ""
        while time.monotonic() < end:
            if msvcrt.kbhit():
                first = msvcrt.getwch()
                yield first + (msvcrt.getwch() if first in "\x00\xe0" else "")
            time.sleep(0.01)
        return
    import os
    import select
    import termios
    import tty

    terminal = sys.stdin.fileno()
    before = termios.tcgetattr(terminal)
    try:
        tty.setcbreak(terminal)
        yield ""
        while (left := end - time.monotonic()) > 0:
            ready, _, _ = select.select([terminal], [], [], min(left, 1.0))
            if ready:
                data = os.read(terminal, 64).decode(errors="replace")
                # A sequence comes in one piece; typed characters that came together are several keys.
                yield from ([data] if data.startswith("\x1b") else list(data))
    finally:
        termios.tcsetattr(terminal, termios.TCSADRAIN, before)
