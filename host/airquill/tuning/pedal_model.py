"""Computed presses of good pedals and of worn ones, and how like either a recording is."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from airquill.pedals.bounce import Edge, judge
from airquill.pneumatics.sensor import Noise
from airquill.simulator.contacts import BOUNCE, Contacts
from airquill.simulator.faults import OWN_FAULTS
from airquill.tuning.checkup import PEDALS, PRESSES

Floats = npt.NDArray[np.float64]

WORN = ("pedal_bounce", "pedal_chatter", "cable_open")
CASES = 240
_DOWN_US = 250_000
_UP_US = 250_000
# Width of a case among the cases: a foot is not as regular as a table of bounces; chosen.
_WIDTH = np.array([0.25, 0.3])


def cases(seed: int) -> tuple[Floats, Floats]:
    """Rows (longest bounce, stray movements; see `row`) of good pedals and of worn ones."""
    draw = np.random.default_rng(seed)
    styles = sorted(BOUNCE)
    good = [_row(*presses(int(draw.integers(1 << 30)), {}, styles[n % len(styles)])) for n in range(CASES // 2)]
    worn = []
    for number in range(CASES):
        fault = {WORN[number % len(WORN)]: float(draw.random())}
        worn.append(_row(*presses(int(draw.integers(1 << 30)), fault, styles[number % len(styles)])))
    return np.array(good), np.array(worn)


def row_of(figures: Mapping[str, float | None]) -> Floats | None:
    """The row of a checkup: the worse of both pedals; None when none was pressed."""
    seen = [
        (bounce, strays)
        for n in PEDALS
        if (bounce := figures.get(f"pedal{n}_bounce_ms")) is not None
        and (strays := figures.get(f"pedal{n}_strays")) is not None
    ]
    if not seen:
        return None
    return _row(max(bounce for bounce, _ in seen), max(strays for _, strays in seen))


def log_density(row: Floats, among: Floats) -> float:
    """Log of the density of a row among cases: a kernel with heavy tails around each."""
    square = (((among - row) / _WIDTH) ** 2).sum(axis=1)
    return float(np.log(np.mean((1.0 + square / 4.0) ** -3.0)))


def _row(bounce_ms: float, strays: float) -> Floats:
    return np.array([np.log1p(bounce_ms), np.log1p(strays)])


def presses(seed: int, fault: Mapping[str, float], style: str) -> tuple[float, float]:
    """A few presses as the unit's pins see them, a look a millisecond: longest bounce in ms, stray movements.

    `fault` has strengths of the virtual unit's faults by name, `style` is one of its bounces.
    """
    faults = {**dict.fromkeys(OWN_FAULTS, 0.0), **fault}
    contacts = Contacts(faults, Noise(seed), seed)
    now, edges = 0, []
    level = False
    for _ in range(PRESSES):
        for down, lasts_us in ((True, _DOWN_US), (False, _UP_US)):
            contacts.move(now, 0, down, style)
            for us in range(now, now + lasts_us, 1000):
                moved = False
                while contacts.next_edge(us) is not None:
                    moved = True
                seen = contacts.closed(us, 0, False)
                if moved or seen != level:
                    edges.append(Edge(us, seen))
                level = seen
            now += lasts_us
    bounce = judge(1, edges, closed_at_rest=False, counted=PRESSES)
    return max(bounce.press.longest_ms, bounce.release.longest_ms), float(bounce.strays)
