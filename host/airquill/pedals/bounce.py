"""Bounce of a pedal's contact: bursts of edges, their statistics, and the agreement times that follow from them.

The unit tells at most one edge a millisecond, the first of it, with its own time in us; a burst's last edge may
therefore be up to 1 ms later than it looks.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil
from typing import Any

import numpy as np

# Longer than any pause inside a burst, shorter than any tap: foot switches bounce 5 to 30 ms in all (from memory).
GAP_US = 40_000
PASS_MS = 1.0
MARGIN = 1.5
LEAST_PRESS_MS = 3
LEAST_RELEASE_MS = 10
MOST_PRESS_MS = 50  # the ends of their settings' ranges
MOST_RELEASE_MS = 200
# A foot switch that bounces longer is worn, or too small for a foot (common practice, no source).
WORN_MS = 20.0
FEW_PRESSES = 10


@dataclass(frozen=True)
class Edge:
    """The contact moved at `us`, on a clock that does not wrap; `closed` is how it was found right afterwards."""

    us: int
    closed: bool


@dataclass(frozen=True)
class Burst:
    """Edges that belong together. `kind` is press, release, or stray: it ended as it began."""

    kind: str
    edges: tuple[Edge, ...]

    @property
    def ms(self) -> float:
        """From the first edge to the last."""
        return (self.edges[-1].us - self.edges[0].us) / 1000


def bursts(edges: Sequence[Edge], closed_at_rest: bool) -> list[Burst]:
    """Edges of one pedal, in order, as bursts: what follows within GAP_US belongs to the one before.

    `closed_at_rest` says how the contact is while nobody presses; that is also how it is before the first edge.
    """
    groups: list[list[Edge]] = []
    for edge in edges:
        if groups and edge.us - groups[-1][-1].us < GAP_US:
            groups[-1].append(edge)
        else:
            groups.append([edge])
    found = []
    closed = closed_at_rest
    for group in groups:
        ends_closed = group[-1].closed
        kind = "stray" if ends_closed == closed else "release" if ends_closed == closed_at_rest else "press"
        found.append(Burst(kind, tuple(group)))
        closed = ends_closed
    return found


@dataclass(frozen=True)
class Spread:
    """Burst lengths of one kind, ms."""

    bursts: int
    median_ms: float
    p95_ms: float
    longest_ms: float
    most_edges: int

    @classmethod
    def of(cls, found: Iterable[Burst]) -> Spread:
        several = list(found)
        if not several:
            return cls(0, 0.0, 0.0, 0.0, 0)
        times = np.array([burst.ms for burst in several])
        return cls(
            len(several),
            round(float(np.median(times)), 2),
            round(float(np.percentile(times, 95)), 2),
            round(float(times.max()), 2),
            max(len(burst.edges) for burst in several),
        )


@dataclass(frozen=True)
class Bounce:
    """What a recording says. `counted` are the presses that the unit counted with the settings it had."""

    pedal: int
    counted: int
    press: Spread
    release: Spread
    strays: int
    press_ms: int
    press_reason: str
    release_ms: int
    release_reason: str
    warnings: tuple[str, ...]
    found: tuple[Burst, ...]

    def as_json(self) -> dict[str, Any]:
        return {
            "pedal": self.pedal,
            "counted": self.counted,
            "press": vars(self.press),
            "release": vars(self.release),
            "strays": self.strays,
            "recommended": {
                f"pedal{self.pedal}.press_ms": self.press_ms,
                f"pedal{self.pedal}.release_ms": self.release_ms,
            },
            "reasons": [self.press_reason, self.release_reason],
            "warnings": list(self.warnings),
            "bursts": [
                {"kind": burst.kind, "at_us": burst.edges[0].us, "edges": [[e.us, e.closed] for e in burst.edges]}
                for burst in self.found
            ],
        }


def judge(pedal: int, edges: Sequence[Edge], closed_at_rest: bool, counted: int, dropped: int = 0) -> Bounce:
    """Statistics, recommended settings and warnings for a recording of one pedal.

    `counted` and `dropped` are what the unit said: presses it counted, events it could not send.
    """
    found = bursts(edges, closed_at_rest)
    press = Spread.of(burst for burst in found if burst.kind == "press")
    release = Spread.of(burst for burst in found if burst.kind == "release")
    closures_ms = _closures_ms([burst for burst in found if burst.kind == "stray"], closed_at_rest)
    press_ms, press_reason = _press_ms(closures_ms)
    longest_ms = max(press.longest_ms, release.longest_ms)
    release_ms, release_reason = _release_ms(longest_ms)
    return Bounce(
        pedal,
        counted,
        press,
        release,
        sum(burst.kind == "stray" for burst in found),
        press_ms,
        press_reason,
        release_ms,
        release_reason,
        tuple(_warnings(found, press, longest_ms, counted, dropped)),
        tuple(found),
    )


def _closures_ms(strays: Sequence[Burst], closed_at_rest: bool) -> list[float]:
    """How long stray bursts let the pedal look pressed, at the longest in each."""
    found = []
    for burst in strays:
        looks = [
            (after.us - before.us) / 1000 for before, after in pairwise(burst.edges) if before.closed != closed_at_rest
        ]
        found.append(max([PASS_MS, *looks]))
    return found


def _press_ms(closures_ms: Sequence[float]) -> tuple[int, str]:
    if not closures_ms:
        return LEAST_PRESS_MS, (
            f"No stray contact came: {LEAST_PRESS_MS} ms keep single spikes out, and a press is felt as immediate."
        )
    wanted = max(LEAST_PRESS_MS, ceil(MARGIN * max(closures_ms)))
    return min(wanted, MOST_PRESS_MS), (
        f"With no foot on it the contact looked pressed for {max(closures_ms):.1f} ms at most: that, and half as much."
    )


def _release_ms(longest_ms: float) -> tuple[int, str]:
    wanted = ceil(MARGIN * (longest_ms + PASS_MS))
    if wanted <= LEAST_RELEASE_MS:
        return LEAST_RELEASE_MS, f"The longest burst took {longest_ms:.1f} ms: the least that is worth setting."
    return min(wanted, MOST_RELEASE_MS), (
        f"The longest burst took {longest_ms:.1f} ms, and no burst shorter than this can count twice: that and half as "
        "much again."
    )


def _warnings(found: Sequence[Burst], press: Spread, longest_ms: float, counted: int, dropped: int) -> Iterable[str]:
    strays = sum(burst.kind == "stray" for burst in found)
    if strays:
        yield (
            f"Chatter: the contact moved {strays} times without being pressed or let go. Look at plug, cable and "
            "solder joints before you trust any setting."
        )
    if longest_ms > WORN_MS:
        yield (
            f"Worn contact: it bounced for up to {longest_ms:.1f} ms, and a good foot switch settles within "
            f"{WORN_MS:.0f} ms. Clean or replace it."
        )
    if counted != press.bursts:
        yield f"With its settings of now the unit counted {counted} presses where the contact shows {press.bursts}."
    if press.bursts < FEW_PRESSES:
        yield f"Only {press.bursts} presses: take at least {FEW_PRESSES}, since the longest burst is a rare one."
    if dropped:
        yield f"The unit could not send {dropped} events, so bursts may be longer than they look. Repeat it."
