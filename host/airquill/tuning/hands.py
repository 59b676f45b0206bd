"""Hands at the bench: they seal the tip and press pedals. A virtual unit has its own; else a person is asked."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from airquill.link.client import Client
from airquill.link.state import announced
from airquill.simulator.control import Control

PRESS_MS = 250
HOLD_MS = 1000
TAP_MS = 70
PUSH_S = 0.1
PERSON_S = 30.0
CONTROL_S = 2.0


class Hands(Protocol):
    """What a hand, or the bench's stand-in for one, does. A hand that cannot raises AirquillError."""

    patience_s: float
    """How long to wait for what a hand was asked to do, on the unit's clock."""

    def fit_needle(self, gauge: int) -> None:
        """Put a needle of that gauge on."""

    def open_tip(self) -> None:
        """Leave the tip free."""

    def seal_tip(self) -> None:
        """Close the tip, and keep it closed until it is to be open."""

    def press(self, pedal: int) -> None:
        """Press pedal 1 or 2 once, for about a quarter of a second. May return before it is done."""

    def hold(self, pedal: int) -> None:
        """Keep pedal 1 or 2 down for about a second. May return before it is done."""

    def double(self, pedal: int) -> None:
        """Press pedal 1 or 2 twice within a quarter of a second. May return before it is done."""

    def knob(self, clicks: int) -> None:
        """Turn the knob, clockwise positive."""

    def push(self) -> None:
        """Push the knob once."""

    def reports(self) -> list[bytes] | None:
        """Keyboard reports that the computer took so far; None where nobody looks at them."""

    def rest(self) -> None:
        """Feet off the pedals, tip free."""


class ControlHands:
    """The hands around a virtual unit, through its control channel."""

    patience_s = CONTROL_S

    def __init__(self, control: Control) -> None:
        self._control = control

    def fit_needle(self, gauge: int) -> None:
        self._control.needle(gauge)

    def open_tip(self) -> None:
        self._control.tip("open")

    def seal_tip(self) -> None:
        self._control.tip("sealed")

    def press(self, pedal: int) -> None:
        self._control.press(pedal, ms=PRESS_MS, bounce="foot")

    def hold(self, pedal: int) -> None:
        self._control.press(pedal, ms=HOLD_MS, bounce="foot")

    def double(self, pedal: int) -> None:
        self._control.press(pedal, ms=TAP_MS)
        self._control.sleep(2 * TAP_MS / 1000)
        self._control.press(pedal, ms=TAP_MS)

    def knob(self, clicks: int) -> None:
        self._control.knob(clicks)

    def push(self) -> None:
        self._control.knob_push(True)
        self._control.sleep(PUSH_S)
        self._control.knob_push(False)

    def reports(self) -> list[bytes] | None:
        return [report for _, report in self._control.reports()]

    def rest(self) -> None:
        for pedal in (1, 2):
            self._control.release(pedal)
        self._control.knob_push(False)
        self._control.tip("open")


class PersonHands:
    """A person at the bench. `ask` shows a sentence and waits for Enter or a pedal; `tell` shows one and goes on."""

    patience_s = PERSON_S

    def __init__(self, ask: Callable[[str], None], tell: Callable[[str], None]) -> None:
        self._ask = ask
        self._tell = tell
        self._needle = 0
        self._sealed = False

    def fit_needle(self, gauge: int) -> None:
        if gauge != self._needle:
            self._ask(f"Put a {gauge}G needle on.")
            self._needle = gauge

    def open_tip(self) -> None:
        self._sealed = False
        self._ask("Hold the tip free in the air.")

    def seal_tip(self) -> None:
        if not self._sealed:
            self._ask("Close the tip: press it flat on a piece of soft rubber, and keep it there.")
            self._sealed = True

    def press(self, pedal: int) -> None:
        self._tell(f"Press pedal {pedal} once and let it go.")

    def hold(self, pedal: int) -> None:
        self._tell(f"Hold pedal {pedal} down for a second, then let it go.")

    def double(self, pedal: int) -> None:
        self._tell(f"Press pedal {pedal} twice, quickly.")

    def knob(self, clicks: int) -> None:
        way = "clockwise" if clicks > 0 else "anticlockwise"
        self._ask(f"Turn the knob {abs(clicks)} clicks {way}.")

    def push(self) -> None:
        self._ask("Push the knob once and let it go.")

    def reports(self) -> list[bytes] | None:
        return None

    def rest(self) -> None:
        self._sealed = False


def control_of(unit: Client) -> Control | None:
    """The control channel of the unit at a port, where it has one. The caller closes it."""
    inside = getattr(unit.port.raw, "unit", None)
    if inside is not None:
        return Control.of(inside)
    place = Path(unit.port.url)
    for running in announced():
        if place.exists() and Path(running.port).resolve() == place.resolve():
            return Control.at(running.folder / "control")
    return None
