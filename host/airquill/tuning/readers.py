"""Where a vacuum is read while a unit is tuned: its own sensor, a reference beside it, or a gauge."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from math import sqrt
from statistics import fmean, pstdev
from typing import Protocol

from airquill.errors import AirquillError
from airquill.link.client import Client, Event
from airquill.report.trace import EVERY_MS
from airquill.tuning.tool import LEVEL_MS, VACUUM
from airquill.twin.measurement import Source

WINDOW_S = 0.5
LONGEST_S = 8.0
REST_S = 3.0
SPEAK_S = 1.0
"""A unit that hears nothing while its reference is asked would make itself safe."""
_LEAST_STEP_KPA = 0.04
_FEWEST = 3


class Reference(Protocol):
    """A vacuum sensor beside the unit, such as a rig's."""

    def vacuum_kpa(self) -> float:
        """Vacuum at the tip now, kPa below ambient."""


@dataclass
class Tape:
    """Samples: s on the line's clock, and kPa."""

    at_s: list[float] = field(default_factory=list)
    kpa: list[float] = field(default_factory=list)

    def part(self, zero_s: float, from_s: float, to_s: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Times after `zero_s` and vacuum, between two such times."""
        kept = [(at - zero_s, kpa) for at, kpa in zip(self.at_s, self.kpa, strict=True) if from_s <= at - zero_s < to_s]
        return tuple(at for at, _ in kept), tuple(kpa for _, kpa in kept)


class Reader(Protocol):
    """`follows`: it sees how the vacuum moves, not only where it comes to rest."""

    source: Source
    follows: bool

    def steady(self, what: str) -> tuple[float, float]:
        """Vacuum once it is steady, kPa, and its standard error. `what` says for people what is on."""

    def rest(self) -> tuple[float, float, float]:
        """With pump off and tip open: vacuum, its standard error, and the standard deviation of one sample, kPa."""

    def tape(self) -> contextlib.AbstractContextManager[TapeDeck]:
        """Record while it is entered; only where it `follows`."""


class TapeDeck(Protocol):
    """A recording that runs. `tape` is what there is so far."""

    tape: Tape

    def run(self, seconds: float, closely: bool = True) -> None:
        """Record for so long on the line's clock, every 10 ms or every 40 ms."""


class _Following:
    """What the unit's sensor and a reference have in common: levels out of their recordings."""

    source: Source
    follows = True

    def tape(self) -> contextlib.AbstractContextManager[TapeDeck]:
        raise NotImplementedError

    def steady(self, what: str) -> tuple[float, float]:
        """The mean of the last half second, once two of them agree; what still moves counts as error."""
        with self.tape() as deck:
            before = _window(deck)
            for _ in range(round(LONGEST_S / WINDOW_S)):
                now = _window(deck)
                # the quieter of the two: what still moves is no noise
                error = sqrt(2.0) * min(_error(before), _error(now))
                moved = abs(fmean(now) - fmean(before))
                if moved <= max(3.0 * error, _LEAST_STEP_KPA):
                    break
                before = now
            else:
                raise AirquillError(f"With {what} the vacuum does not come to rest. Look for a slow leak.", 1)
        # it falls off as a geometric row: what is left to go is less than the last step
        return fmean(now), sqrt(_error(now) ** 2 + (max(moved - 2.0 * error, 0.0) / 2.0) ** 2)

    def rest(self) -> tuple[float, float, float]:
        """Three seconds of samples."""
        with self.tape() as deck:
            deck.run(REST_S)
            kpa = deck.tape.kpa
        if len(kpa) < _FEWEST:
            raise AirquillError("The vacuum sensor says nothing. Look at its plug.", 1)
        noise = pstdev(kpa)
        return fmean(kpa), max(noise, 0.02) / sqrt(len(kpa)), noise


def _window(deck: TapeDeck) -> list[float]:
    first = len(deck.tape.kpa)
    deck.run(WINDOW_S, closely=False)
    kpa = deck.tape.kpa[first:]
    if len(kpa) < _FEWEST:
        raise AirquillError("The vacuum sensor says nothing. Look at its plug.", 1)
    return kpa


def _error(kpa: list[float]) -> float:
    return max(pstdev(kpa), 0.01) / sqrt(len(kpa))


class SensorReader(_Following):
    """The unit's own sensor, as it streams it."""

    source: Source = "sensor"

    def __init__(self, unit: Client) -> None:
        self._unit = unit

    @contextlib.contextmanager
    def tape(self) -> Iterator[TapeDeck]:
        for _ in self._unit.events(0):
            pass  # what came before is not of this recording
        try:
            yield _SensorDeck(self._unit)
        finally:
            with contextlib.suppress(AirquillError):
                self._unit.stream(0)


class _SensorDeck:
    def __init__(self, unit: Client) -> None:
        self.tape = Tape()
        self._unit = unit
        self._every_ms = 0

    def run(self, seconds: float, closely: bool = True) -> None:
        end = self._unit.port.now() + seconds
        # Closely only where it moves: a unit cannot collect the memory that events take while vacuum is on.
        every_ms = EVERY_MS if closely else LEVEL_MS
        if every_ms != self._every_ms:
            self._unit.stream(every_ms, VACUUM)
            self._every_ms = every_ms
        for event in self._unit.events(max(end - self._unit.port.now(), 0.0)):
            self._take(event)

    def _take(self, event: Event) -> None:
        kpa = event.fields.get(VACUUM)
        if event.topic == "reading" and kpa is not None:
            self.tape.at_s.append(event.at_s)
            self.tape.kpa.append(float(str(kpa)))


class ReferenceReader(_Following):
    """A reference, asked again and again."""

    source: Source = "rig"

    def __init__(self, unit: Client, reference: Reference) -> None:
        self._unit = unit
        self._reference = reference

    @contextlib.contextmanager
    def tape(self) -> Iterator[TapeDeck]:
        yield _ReferenceDeck(self._unit, self._reference)


class _ReferenceDeck:
    def __init__(self, unit: Client, reference: Reference) -> None:
        self.tape = Tape()
        self._unit = unit
        self._reference = reference
        self._spoken_s = unit.port.now()

    def run(self, seconds: float, closely: bool = True) -> None:
        port = self._unit.port
        every_s = (EVERY_MS if closely else LEVEL_MS) / 1000.0
        end = port.now() + seconds
        due = port.now()
        while port.now() < end:
            if port.now() - self._spoken_s > SPEAK_S:
                self._unit.get("cycle.state")
                self._spoken_s = port.now()
            kpa = self._reference.vacuum_kpa()
            self.tape.at_s.append(port.now())
            self.tape.kpa.append(kpa)
            due = max(due + every_s, port.now())
            port.sleep(max(min(due, end) - port.now(), 1e-4))
