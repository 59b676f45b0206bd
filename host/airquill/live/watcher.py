"""Listens to a unit at work: readings as a matter of course, vacuum closely while it moves, and what happens."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

from airquill.errors import AirquillError
from airquill.link.client import Client, Event, Refused
from airquill.link.convert import Value
from airquill.report.trace import EVERY_MS

READINGS = ("vacuum.kpa", "pump.duty_pct", "valve.duty_pct", "supply.volts", "cycle.grip")
"""What is read all the time. A unit streams no more than half a line; the rest it says of itself when it moves."""
COUNTS = ("cycle.picks", "cycle.released", "preset.strength_pct")
"""What is asked for when a pick is over."""
TOPICS = ("pedal", "cycle", "grip", "preset", "fault")
VACUUM = "vacuum.kpa"
MOVING = (VACUUM, "pump.duty_pct", "valve.duty_pct")
RISE_MS = 20
RISE_S = 0.9
VENT_S = 0.4
_SILENCE_S = 2.0
_LOOK_S = 0.25
_SILENT = {"at_s", "us"}


class Watcher:
    """Gives the lines of a recording while a unit works; it uses the unit's subscriptions. `every_ms` is the time
    between two readings while nothing moves.

    All readings every few milliseconds would keep the unit busy, and it cannot collect the memory they take while
    vacuum is on. So only what moves is read closely, for the second in which vacuum rises and the moment in which it
    falls.
    """

    def __init__(self, unit: Client, every_ms: int) -> None:
        self._unit = unit
        self._every_ms = every_ms
        self._sensor = "sensor" in unit.greeting.capabilities
        self._close_until: float | None = None

    def lines(self, seconds: float) -> Iterator[dict[str, Any]]:
        """Lines for so long on the line's clock; `at_s` counts from the first call.

        Raises LinkLost when the link breaks, UnitRestarted when the unit restarted meanwhile.
        """
        unit = self._unit
        for _ in unit.events(0):
            pass  # what came before
        begun = heard = unit.port.now()
        now = unit.get("cycle.state", "pedal1.down", "pedal2.down")
        unit.listen(*TOPICS)
        self._stream(self._every_ms, READINGS)
        yield {"at_s": 0.0, "event": "cycle", "state": str(now["cycle.state"])}
        for pedal in (1, 2):
            yield {"at_s": 0.0, "event": "pedal", "pedal": pedal, "down": bool(now[f"pedal{pedal}.down"])}
        yield {"at_s": 0.0, **self._counts()}
        try:
            while (left := begun + seconds - unit.port.now()) > 0:
                for event in unit.events(min(left, _LOOK_S)):
                    heard = unit.port.now()
                    self._follow(event)
                    if event.gap:
                        yield {"at_s": _since(begun, event.at_s), "lost": event.gap}
                    yield _line(event, begun)
                    if event.topic == "cycle" and event.fields.get("state") == "idle":
                        yield {"at_s": _since(begun, event.at_s), **self._counts()}
                self._calm_down()
                if unit.port.now() - heard > max(_SILENCE_S, 2.5 * self._every_ms / 1000):
                    unit.get("cycle.state")  # a unit that is gone or has restarted says so here
                    self._stream(self._every_ms, READINGS)
                    heard = unit.port.now()
        finally:
            with contextlib.suppress(AirquillError):
                unit.stream(0)
                unit.listen()

    def _follow(self, event: Event) -> None:
        """Look closely from here on, where the cycle moves."""
        if self._sensor and event.topic == "cycle":
            if event.fields.get("state") == "picking":
                self._look_closely(RISE_MS, RISE_S, MOVING)
            elif event.fields.get("state") == "releasing":
                self._look_closely(EVERY_MS, VENT_S, (VACUUM,))
        elif event.topic == "reading":
            self._calm_down()

    def _look_closely(self, ms: int, seconds: float, paths: tuple[str, ...]) -> None:
        self._close_until = self._unit.port.now() + seconds
        self._stream(min(ms, self._every_ms), paths)

    def _calm_down(self) -> None:
        if self._close_until is not None and self._unit.port.now() > self._close_until:
            self._close_until = None
            self._stream(self._every_ms, READINGS)

    def _counts(self) -> dict[str, Value]:
        try:
            return self._unit.get(*COUNTS)
        except Refused as error:
            if error.word != "busy":
                raise
            return {}

    def _stream(self, ms: int, paths: tuple[str, ...]) -> None:
        """Ask for readings; where the unit is too busy it goes on as before, and the next look asks again."""
        try:
            self._unit.stream(ms, *paths)
        except Refused as error:
            if error.word != "busy":
                raise
            self._close_until = self._unit.port.now()


def plain_lines(unit: Client, every_ms: int, paths: list[str], seconds: float) -> Iterator[dict[str, Any]]:
    """Readings by name as they come, nothing else."""
    unit.stream(every_ms, *paths)
    first: float | None = None
    try:
        for event in unit.events(seconds):
            if event.topic == "reading":
                first = event.at_s if first is None else first
                yield {"at_s": round(event.at_s - first, 3), **event.fields}
    finally:
        with contextlib.suppress(AirquillError):
            unit.stream(0)


def _since(begun: float, at_s: float) -> float:
    return round(max(0.0, at_s - begun), 4)


def _line(event: Event, begun: float) -> dict[str, Any]:
    at_s = _since(begun, event.at_s)
    kept = {name: value for name, value in event.fields.items() if name not in _SILENT}
    return {"at_s": at_s, **kept} if event.topic == "reading" else {"at_s": at_s, "event": event.topic, **kept}
