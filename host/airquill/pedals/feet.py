"""Feet on the pedals: a person's, who is asked, or those of a virtual unit's control channel."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from airquill.simulator.control import Control

PRESS_MS = 180
_APART_S = 0.15


class Feet(Protocol):
    """What is done to the pedals. A call may return before it is done."""

    patience_s: float
    """How long to wait for it, on the unit's clock."""

    def press(self, pedal: int) -> None:
        """Press a pedal once and let it go."""

    def chord(self, held: int, pressed: int) -> None:
        """Hold one pedal down, press the other and let it go, then let the first go."""


class VirtualFeet:
    """The feet around a virtual unit."""

    patience_s = 2.0

    def __init__(self, control: Control) -> None:
        self._control = control

    def press(self, pedal: int) -> None:
        self._control.press(pedal, ms=PRESS_MS, bounce="foot")

    def chord(self, held: int, pressed: int) -> None:
        self._control.press(held, bounce="foot")
        self._control.sleep(_APART_S)
        self._control.press(pressed, ms=PRESS_MS, bounce="foot")
        self._control.sleep(PRESS_MS / 1000 + _APART_S)
        self._control.release(held, bounce="foot")


class PersonFeet:
    """A person's feet. `tell` shows a sentence."""

    patience_s = 30.0

    def __init__(self, tell: Callable[[str], None], presses: int = 1) -> None:
        """With more than one press, all are asked for at once."""
        self._tell = tell
        self._how = "once and let it go" if presses == 1 else f"{presses} times, as you do at work"
        self._told = ""

    def press(self, pedal: int) -> None:
        self._say(f"Press pedal {pedal} {self._how}.")

    def _say(self, sentence: str) -> None:
        if sentence != self._told:
            self._tell(sentence)
            self._told = sentence

    def chord(self, held: int, pressed: int) -> None:
        self._say(f"Hold pedal {held} down, press pedal {pressed} and let it go, then let go of pedal {held}.")
