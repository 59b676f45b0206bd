"""Keys as they come, with how long each took from the pedal: the unit's times and the PC's on one clock."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from airquill.keys.report import KeyEvent, events
from airquill.link.client import Client, Event

_WRAP_US = 1 << 30
_SLICE_S = 0.05
_SHORT_S = 0.01
_WORD_S = 0.5
# From the unit's report to the PC's time of it: a frame of 1 ms, a pass of the unit's loop that is under way, and the
# PC's interrupt.
LONGEST_US = 1500.0
# Two crystals of 50 millionths each (common practice, no source).
DRIFT = 100e-6
_MOST_LATE = 3
# A key that comes later than this after a pedal was not set off by it.
_LONGEST_AFTER_US = 2_000_000

Received = Callable[[], Iterable[KeyEvent]]
"""Gives the key events that came since it was last asked, with times on the PC's clock."""


@dataclass(frozen=True)
class Came:
    """A key as the PC got it. `after_pedal_ms` is from the contact's first edge, right to `within_ms` either way; None
    where no pedal set it off."""

    key: KeyEvent
    pedal: int | None = None
    after_pedal_ms: float | None = None
    within_ms: float | None = None


class Clocks:
    """Ties the PC's clock to the unit's: each report is known on both, handed to USB and received.

    The PC asks for a report once in each frame of 1 ms (USB 2.0, 5.7.4; the keyboard's interval is 1), so a report is
    received between 0 and `LONGEST_US` after it was handed over. Each one bounds what lies between the clocks from both
    sides; where the bounds of several overlap, the truth is. Between reports the bounds widen by what the clocks may
    drift. A report that came later than all others allow (the PC was busy) bounds nothing; after a pause of a minute
    that is not told from drift.
    """

    def __init__(self) -> None:
        self._sent: deque[tuple[int, int, float]] = deque(maxlen=64)
        self._base_us = 0  # what lay between the clocks when they were first tied; the bounds are relative to it
        self._least_us = self._most_us = 0.0
        self._tied_us: int | None = None  # when they were last tied, on the PC's clock
        self._late = 0

    def sent(self, unit_us: int, usage: int, at_s: float = 0.0) -> None:
        """The unit handed a report to USB in which this key goes down, as was heard at this time of the line's."""
        self._sent.append((unit_us, usage, at_s))

    def forget(self, before_s: float) -> None:
        """What was heard before that time was never received."""
        while self._sent and self._sent[0][2] < before_s:
            self._sent.popleft()

    def received(self, pc_us: int, usage: int) -> bool:
        """This key went down at the PC. False where no report is known for it (yet).

        Both come in the same order, but either side may have missed some.
        """
        if usage not in [sent[1] for sent in self._sent]:
            return False
        while self._sent[0][1] != usage:
            self._sent.popleft()
        between_us = pc_us - self._sent.popleft()[0]
        if self._tied_us is None:
            self._tie(between_us, pc_us)
            return True
        least_us, most_us = self._bounds(pc_us)
        most_new_us = self._signed(between_us - self._base_us)
        least_new_us = most_new_us - LONGEST_US
        if least_new_us > most_us:
            self._late += 1
        if most_new_us < least_us or self._late == _MOST_LATE:  # the clocks were tied by reports of different presses
            self._tie(between_us, pc_us)
        elif least_new_us <= most_us:
            self._late = 0
            self._least_us, self._most_us = max(least_us, least_new_us), min(most_us, most_new_us)
            self._tied_us = pc_us
        return True

    def on_unit(self, pc_us: int) -> tuple[int, int] | None:
        """A time of the PC's on the unit's clock, which wraps, and how much it may be off; None before the first
        report."""
        if self._tied_us is None:
            return None
        least_us, most_us = self._bounds(pc_us)
        at_us = pc_us - self._base_us - round((least_us + most_us) / 2)
        return at_us % _WRAP_US, math.ceil((most_us - least_us) / 2)

    def _tie(self, between_us: int, pc_us: int) -> None:
        self._base_us, self._tied_us, self._late = between_us, pc_us, 0
        self._least_us, self._most_us = -LONGEST_US, 0.0

    def _bounds(self, pc_us: int) -> tuple[float, float]:
        drift_us = abs(pc_us - (self._tied_us or 0)) * DRIFT
        return self._least_us - drift_us, self._most_us + drift_us

    @staticmethod
    def _signed(us: int) -> int:
        return (us + _WRAP_US // 2) % _WRAP_US - _WRAP_US // 2


def watch(unit: Client, received: Received, seconds: float) -> Iterator[Came]:
    """Keys as they come, for so long on the line's clock. Uses the unit's subscriptions. LinkLost.

    A key may be at the PC before the unit's own word of it, so it waits for that word, at most `_WORD_S`.
    """
    clocks = Clocks()
    pedals: deque[Event] = deque(maxlen=8)
    waiting: deque[tuple[float, KeyEvent]] = deque()
    said = (0, bytes(8))
    end = unit.port.now() + seconds
    unit.listen("pedal", "key")
    try:
        while unit.port.now() < end or waiting:
            for event in unit.events(min(_SLICE_S, max(end - unit.port.now(), _SHORT_S))):
                if event.topic == "pedal" and event.fields["down"] is True:
                    pedals.append(event)
                elif event.topic == "key":
                    report = int(str(event.fields["us"])), bytes.fromhex(str(event.fields["report"]))
                    for key in events([said, report])[len(events([said])) :]:
                        if key.down:
                            clocks.sent(key.time_us, key.usage, event.at_s)
                    said = report
            now = unit.port.now()
            clocks.forget(now - 2 * _WORD_S)
            waiting.extend((now, key) for key in received())
            while waiting:
                came_s, key = waiting[0]
                if key.down and not clocks.received(key.time_us, key.usage) and now - came_s < _WORD_S:
                    break
                waiting.popleft()
                yield _came(key, pedals, clocks)
    finally:
        unit.listen()


def _came(key: KeyEvent, pedals: Iterable[Event], clocks: Clocks) -> Came:
    at = clocks.on_unit(key.time_us)
    if not pedals or at is None or not key.down:
        return Came(key)
    # One that came after the key is a whole turn of the clock before it.
    after_us, pedal = min(
        ((at[0] - int(str(event.fields["us"]))) % _WRAP_US, int(str(event.fields["pedal"]))) for event in pedals
    )
    if after_us > _LONGEST_AFTER_US:
        return Came(key)
    return Came(key, pedal, round(after_us / 1000, 2), round(at[1] / 1000, 2))


class CapturedReports:
    """The reports that a virtual unit's computer takes, as key events from now on. `reports` gives them from a number
    on, as (us, eight bytes)."""

    def __init__(self, reports: Callable[[int], list[tuple[int, bytes]]]) -> None:
        self._reports = reports
        self._count = len(reports(0))
        self._last = (0, bytes(8))

    def __call__(self) -> Iterator[KeyEvent]:
        new = self._reports(self._count)
        if not new:
            return
        self._count += len(new)
        before = events([self._last])
        yield from events([self._last, *new])[len(before) :]
        self._last = new[-1]
