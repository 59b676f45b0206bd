"""What only somebody at the bench can do beside hands: look at lamps, and pull plugs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, Protocol

from airquill.simulator.control import Control

Plug = Literal["sensor", "supply"]
LAMPS = range(1, 6)
# A lamp that blinks is dark for half a second (docs/panel.md).
LOOK_S = 1.1
_GLANCE_S = 0.05
_NAMES: dict[Plug, str] = {"sensor": "the vacuum sensor's plug", "supply": "the plug of the 12 V supply; USB stays in"}
_FULL_V = 12.0


class Attendant(Protocol):
    """Somebody at the bench, or the bench's stand-in for one. Who cannot raises AirquillError."""

    patience_s: float
    """How long what was asked for may take to show, on the unit's clock."""

    def lamps(self) -> frozenset[int]:
        """Lamps of the light bar that are lit or blink, 1 to 5 from the knob's end."""

    def pull(self, plug: Plug) -> None:
        """Pull that plug of the unit."""

    def put_back(self, plug: Plug) -> None:
        """Put it back."""


class ControlAttendant:
    """Around a virtual unit, through its control channel."""

    patience_s = 3.0

    def __init__(self, control: Control) -> None:
        self._control = control

    def lamps(self) -> frozenset[int]:
        seen: set[int] = set()
        for _ in range(round(LOOK_S / _GLANCE_S)):
            said = self._control.lights()
            if said["brightness_pct"]:
                seen |= {n for n in LAMPS if said["lamps"][n - 1]}
            self._control.sleep(_GLANCE_S)
        return frozenset(seen)

    def pull(self, plug: Plug) -> None:
        if plug == "sensor":
            self._control.fault("sensor_dead", 1.0)  # its line is pulled to ground then
        else:
            self._control.supply(0.0)

    def put_back(self, plug: Plug) -> None:
        if plug == "sensor":
            self._control.fault("sensor_dead", 0.0)
        else:
            self._control.supply(_FULL_V)


class PersonAttendant:
    """A person. `ask` shows a sentence and waits for Enter; `question` shows one and gives the line that is typed."""

    patience_s = 3.0

    def __init__(self, ask: Callable[[str], None], question: Callable[[str], str]) -> None:
        self._ask = ask
        self._question = question

    def lamps(self) -> frozenset[int]:
        sentence = "Which lamps of the light bar are lit or blink? Type their numbers, such as 1 2 5, or 0 for none:"
        while True:
            words = self._question(sentence).replace(",", " ").split()
            if words and all(word in "012345" and len(word) == 1 for word in words):
                return frozenset(int(word) for word in words if word != "0")
            sentence = "Type numbers from 1 to 5 with spaces between, or 0 for none:"

    def pull(self, plug: Plug) -> None:
        self._ask(f"Pull {_NAMES[plug]}.")

    def put_back(self, plug: Plug) -> None:
        self._ask(f"Put back {_NAMES[plug].partition(';')[0]}.")
