"""Keys as they come, with how long each took from the pedal: the unit's times and the PC's on one clock."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from airquill.keys.report import KeyEvent, events
from airquill.link.client import Client, Event

_WRAP_US = 1 << 30
_SLICE_S = 0.05
# A key that comes later than this after a pedal was not set off by it.
_LONGEST_US = 2_000_000

Received = Callable[[], Iterable[KeyEvent]]
"""Gives the key events that came since it was last asked, with times on the PC's clock."""


@dataclass(frozen=True)
class Came:
    """A key as the PC got it. `after_pedal_ms` is from the contact's first edge; None where no pedal set it off or
    the clocks are not tied yet."""

    key: KeyEvent
    pedal: int | None
    after_pedal_ms: float | None


class Clocks:
    """Ties the PC's clock to the unit's: each report is known on both, handed to USB and received.

    The fastest one so far counts as having taken no time, so a figure leaves out what every report takes: less than a
    frame of 1 ms (USB 2.0, 5.7.4).
    """

    def __init__(self) -> None:
        self._sent: deque[tuple[int, int]] = deque(maxlen=64)
        self._offset_us: int | None = None

    def sent(self, unit_us: int, usage: int) -> None:
        """The unit handed a report to USB in which this key goes down."""
        self._sent.append((unit_us, usage))

    def received(self, pc_us: int, usage: int) -> None:
        """This key went down at the PC. Both come in the same order, but either side may have missed some."""
        while self._sent and self._sent[0][1] != usage:
            self._sent.popleft()
        if not self._sent:
            return
        offset_us = pc_us - self._sent.popleft()[0]
        if self._offset_us is None or self._signed(offset_us - self._offset_us) < 0:
            self._offset_us = offset_us

    def on_unit(self, pc_us: int) -> int | None:
        """A time of the PC's on the unit's clock, which wraps; None before the first report."""
        return None if self._offset_us is None else (pc_us - self._offset_us) % _WRAP_US

    @staticmethod
    def _signed(us: int) -> int:
        return (us + _WRAP_US // 2) % _WRAP_US - _WRAP_US // 2


def watch(unit: Client, received: Received, seconds: float) -> Iterator[Came]:
    """Keys as they come, for so long on the line's clock. Uses the unit's subscriptions. LinkLost."""
    clocks = Clocks()
    pedal: Event | None = None
    said = (0, bytes(8))
    end = unit.port.now() + seconds
    unit.listen("pedal", "key")
    try:
        while unit.port.now() < end:
            for event in unit.events(min(_SLICE_S, max(end - unit.port.now(), 1e-3))):
                if event.topic == "pedal" and event.fields["down"] is True:
                    pedal = event
                elif event.topic == "key":
                    report = int(str(event.fields["us"])), bytes.fromhex(str(event.fields["report"]))
                    for key in events([said, report])[len(events([said])) :]:
                        if key.down:
                            clocks.sent(key.time_us, key.usage)
                    said = report
            for key in received():
                if key.down:
                    clocks.received(key.time_us, key.usage)
                yield _came(key, pedal, clocks)
    finally:
        unit.listen()


def _came(key: KeyEvent, pedal: Event | None, clocks: Clocks) -> Came:
    at_us = clocks.on_unit(key.time_us)
    if pedal is None or at_us is None or not key.down:
        return Came(key, None, None)
    after_us = (at_us - int(str(pedal.fields["us"]))) % _WRAP_US
    if after_us > _LONGEST_US:
        return Came(key, None, None)
    return Came(key, int(str(pedal.fields["pedal"])), round(after_us / 1000, 2))


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
