"""Waiting for a person to be ready: Enter at the keyboard, or a press of any pedal of the unit.

Both hands are often busy at the bench, so a foot counts as much as Enter.
"""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator

from airquill.link.client import Client, Event, Refused
from airquill.link.convert import Value

SLICE_S = 0.05
# A foot that stays down for longer is no press that only says "go on".
LONGEST_PRESS_S = 3.0
PEDALS = (1, 2)
_GESTURES = ("tap", "hold", "double")
_BY_FOOT = {"": "", "1": " or pedal 1", "2": " or pedal 2", "12": " or a pedal"}


def _quiet() -> dict[str, Value]:
    wanted: dict[str, Value] = {}
    for pedal in PEDALS:
        wanted[f"pedal{pedal}.vacuum"] = "none"
        for gesture in _GESTURES:
            wanted[f"pedal{pedal}.{gesture}_does"] = "none"
            wanted[f"pedal{pedal}.{gesture}_keys"] = b""
    return wanted


QUIET = _quiet()
"""Settings with which a press of a pedal does nothing."""

Entered = Callable[[float], bool]
"""Waits up to so many seconds for Enter, and tells whether it came."""


@contextlib.contextmanager
def quiet_pedals(unit: Client) -> Iterator[bool]:
    """Presses switch no vacuum, type nothing and do nothing while this is entered; nothing is saved.

    Gives False, and changes nothing, where the unit may not change its pedals now: vacuum is on.
    """
    before = unit.get(*QUIET)
    changed = {path: value for path, value in QUIET.items() if before[path] != value}
    try:
        if changed:
            unit.set(changed)
    except Refused:
        yield False
        return
    try:
        yield True
    finally:
        if changed:
            unit.set({path: before[path] for path in changed})


def ask_ready(unit: Client, sentence: str, tell: Callable[[str], None], pedals: tuple[int, ...] = PEDALS) -> None:
    """Tell somebody at this terminal to do something, and wait for Enter or a press of one of these pedals.

    Every prompt that waits for a hand's work goes through here. Ctrl-C and an ended input raise KeyboardInterrupt;
    LinkLost when the unit is gone. Ends what the unit was subscribed to.
    """
    numbers = "".join(str(pedal) for pedal in pedals)
    tell(f"{sentence} Then press Enter{_BY_FOOT[numbers]}.")
    try:
        wait_until_ready(unit, enter_at_terminal, pedals)
    except EOFError:
        raise KeyboardInterrupt from None


def wait_until_ready(unit: Client, entered: Entered, pedals: tuple[int, ...] = PEDALS) -> str:
    """Wait for Enter or for a press of one of these pedals; returns "enter" or "pedal". Ends what the unit was
    subscribed to.

    The press does nothing else, and has ended when this returns. Raises LinkLost, and what `entered` raises.
    """
    with quiet_pedals(unit):
        for _ in unit.events(0):
            pass  # a press of before is no answer
        unit.listen("pedal")
        try:
            while not entered(SLICE_S):
                pressed = next((pedal for event in unit.events(SLICE_S) if (pedal := _pressed(event)) in pedals), None)
                if pressed:
                    unit.wait_for("pedal", LONGEST_PRESS_S, pedal=pressed, down=False)
                    return "pedal"
            return "enter"
        finally:
            unit.listen()


def _pressed(event: Event) -> int:
    """The pedal that goes down in this event; 0 where none does."""
    return int(str(event.fields["pedal"])) if event.topic == "pedal" and event.fields["down"] is True else 0


def enter_at_terminal(seconds: float) -> bool:
    """Whether Enter comes at this terminal within so many seconds. Raises EOFError when its input has ended."""
    if sys.platform == "win32":
        import msvcrt

        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if msvcrt.kbhit():
                return msvcrt.getwch() in "\r\n"
            time.sleep(0.01)
        return False
    import select

    ready, _, _ = select.select([sys.stdin], [], [], seconds)
    if not ready:
        return False
    if not sys.stdin.readline():
        raise EOFError
    return True
