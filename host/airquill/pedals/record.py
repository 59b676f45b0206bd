"""Records the raw edges of a pedal while somebody presses it."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

from airquill.errors import AirquillError
from airquill.link.client import Client, Event
from airquill.link.ready import quiet_pedals
from airquill.pedals.bounce import GAP_US, Bounce, Edge, judge
from airquill.pedals.feet import Feet

# The unit's clock wraps; see docs/protocol.md.
_WRAP_US = 1 << 30
_SETTLE_S = 2 * GAP_US / 1e6


class _Recording:
    def __init__(self, pedal: int) -> None:
        self.pedal = pedal
        self.edges: list[Edge] = []
        self.counted = 0
        self.dropped = 0
        self.is_down = False
        self._last_us: int | None = None
        self._us = 0

    def take(self, event: Event) -> None:
        self.dropped += event.gap
        if event.fields.get("pedal") != self.pedal:
            return
        if event.topic == "pedal":
            self.is_down = event.fields["down"] is True
            self.counted += self.is_down
        elif event.topic == "edge":
            us = int(str(event.fields["us"]))
            if self._last_us is not None:
                self._us += (us - self._last_us) % _WRAP_US
            self._last_us = us
            self.edges.append(Edge(self._us, event.fields["closed"] is True))


def record(
    unit: Client, pedal: int, presses: int, feet: Feet, on_press: Callable[[int], None] = lambda _count: None
) -> Bounce:
    """Record `presses` presses of a pedal and judge them. Meanwhile the pedals do nothing else.

    Ends early, with what there is, when no press comes within the feet's patience. AirquillError when not one came, or
    the pedal reads as down before the first; LinkLost.
    """
    contact = f"pedal{pedal}.contact"
    down = f"pedal{pedal}.down"
    with quiet_pedals(unit) as quiet:
        if not quiet:
            raise AirquillError("Vacuum is on. Let go first, with a pedal or `airquill do release`, then repeat.", 1)
        if unit.get(down)[down]:
            raise AirquillError(
                f"Pedal {pedal} reads as down before anybody pressed it. `airquill pedals check` says why.", 1
            )
        closed_at_rest = unit.get(contact)[contact] == "normally_closed"
        taken = _Recording(pedal)
        for _ in unit.events(0):
            pass
        unit.listen("edge", "pedal")
        try:
            # A press that the unit counts twice is still one press of the foot: feet are asked, not counts.
            for number in range(presses):
                feet.press(pedal)
                if not _one_press(unit, taken, feet.patience_s):
                    break
                on_press(number + 1)
        finally:
            with contextlib.suppress(AirquillError):
                unit.listen()
    if not taken.counted and all(edge.closed == closed_at_rest for edge in taken.edges):
        raise AirquillError(f"No press of pedal {pedal} came. `airquill pedals check` says what is wrong with it.", 1)
    return judge(pedal, taken.edges, closed_at_rest, taken.counted, taken.dropped)


def _one_press(unit: Client, taken: _Recording, patience_s: float) -> bool:
    """Take events until a press has come and gone and the contact is quiet; False when none came in time."""
    before = taken.counted
    end = unit.port.now() + patience_s
    quiet_from = unit.port.now()
    while unit.port.now() < end:
        for event in unit.events(_SETTLE_S):
            taken.take(event)
            quiet_from = unit.port.now()
        if taken.counted > before and not taken.is_down and unit.port.now() - quiet_from >= _SETTLE_S / 2:
            return True
    return taken.counted > before
