"""A vacuum trace: what a unit's sensor said over time, with what the unit did meanwhile."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from types import TracebackType
from typing import Any

from airquill.errors import AirquillError
from airquill.keys import typed
from airquill.link.client import Client, Event

EVERY_MS = 10


@dataclass
class Trace:
    """Samples in s and kPa below ambient, with the states of the pick cycle and marks, each as (s, text), and levels to
    be drawn, as (kPa, text).

    Time zero is where the recording put it: where vacuum came on, or where it began.
    """

    at_s: list[float] = field(default_factory=list)
    kpa: list[float] = field(default_factory=list)
    states: list[tuple[float, str]] = field(default_factory=list)
    marks: list[tuple[float, str]] = field(default_factory=list)
    levels: list[tuple[float, str]] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        return {
            "at_s": [round(at, 4) for at in self.at_s],
            "kpa": self.kpa,
            "states": [[round(at, 4), state] for at, state in self.states],
            "marks": [[round(at, 4), text] for at, text in self.marks],
            "levels": [[round(kpa, 3), text] for kpa, text in self.levels],
        }

    @classmethod
    def of_json(cls, data: dict[str, Any]) -> Trace:
        """The trace that `as_json` wrote."""
        return cls(
            list(data["at_s"]),
            list(data["kpa"]),
            [(at, state) for at, state in data["states"]],
            [(at, text) for at, text in data["marks"]],
            [(kpa, text) for kpa, text in data["levels"]],
        )

    def when(self, state: str) -> float | None:
        """When the cycle first came to a state, in s, or None."""
        return next((at for at, word in self.states if word == state), None)

    def moved(self, by_s: float) -> Trace:
        """The same with all times later by `by_s`."""
        return Trace(
            [at + by_s for at in self.at_s],
            list(self.kpa),
            [(at + by_s, state) for at, state in self.states],
            [(at + by_s, text) for at, text in self.marks],
            list(self.levels),
        )


class Recorder:
    """Records a unit's vacuum and events while it is entered; it uses the unit's subscriptions.

    Times are those at which lines were read here: on a serial line a few ms late, and to the 10 ms of the stream.
    """

    def __init__(self, unit: Client, every_ms: int = EVERY_MS) -> None:
        self._unit = unit
        self._every_ms = every_ms
        self._begun_s = 0.0
        self._trace = Trace()
        self.lost = 0
        """Events that the unit had to drop."""

    def __enter__(self) -> Recorder:
        for _ in self._unit.events(0):
            pass  # what came before is not of this recording
        self._begun_s = self._unit.port.now()
        self._unit.listen("pedal", "cycle", "grip", "key")
        self._unit.stream(self._every_ms, "vacuum.kpa")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with contextlib.suppress(AirquillError):
            self._unit.stream(0)
            self._unit.listen()

    def run(self, seconds: float, until: Callable[[Event], bool] = lambda _event: False) -> Event | None:
        """Record for so long on the line's clock, or until an event for which `until` is true; returns that event."""
        for event in self._unit.events(seconds):
            self._take(event)
            if until(event):
                return event
        return None

    def run_to(self, state: str, seconds: float) -> bool:
        """Record until the cycle comes to a state; False when it did not in that time."""
        return self.run(seconds, lambda event: event.topic == "cycle" and event.fields["state"] == state) is not None

    def _take(self, event: Event) -> None:
        self.lost += event.gap
        at_s = event.at_s - self._begun_s
        said = event.fields
        if event.topic == "reading":
            kpa = said.get("vacuum.kpa")
            if isinstance(kpa, Decimal):
                self._trace.at_s.append(at_s)
                self._trace.kpa.append(float(kpa))
        elif event.topic == "cycle":
            self._trace.states.append((at_s, str(said["state"])))
        elif event.topic == "pedal":
            self._trace.marks.append((at_s, f"pedal {said['pedal']!s} {'down' if said['down'] else 'up'}"))
        elif event.topic == "grip":
            self._trace.marks.append((at_s, f"part {said['what']!s}"))
        elif event.topic == "key":
            name = typed([(0, bytes.fromhex(str(said["report"])))])
            if name:
                self._trace.marks.append((at_s, f"key {name}"))

    def trace(self, zero: str = "picking") -> Trace:
        """What was recorded; time zero is where the cycle first came to the state `zero`, else the beginning."""
        at_s = self._trace.when(zero)
        return self._trace.moved(-at_s if at_s is not None else 0.0)
