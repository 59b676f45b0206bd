"""Draws docs/figures/bounce_doubles.svg: how often a bouncing contact counts twice, over the length of its bursts.

The firmware's own pedal, driven through random bursts: after the first edge 2 to 20 more at uniformly random times, the
last of them at the burst's length, and the passes anywhere in the millisecond.

Run from the top of the tree: PYTHONPATH=host:device:protocol python docs/figures/bounce_doubles.py
"""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

from airquill_device.pedal import Pedal
from airquill_protocol import settings
from airquill_protocol import tables as t

PASS_US = 1000
WRAP = 1 << 30
PRESSES = 400
RELEASE_MS = (10, 20, 40)
MOST_EDGES = 20


class Bench:
    """The pedal's board and app in one: a contact that moves as told, and a count of what the pedal says."""

    def __init__(self, press_ms: int, release_ms: int, seed: int) -> None:
        self.board = self.cycle = self.keyboard = self
        self.values = settings.default_values()
        self.values[t.PEDALN + t.PEDALN_PRESS_MS] = press_ms
        self.values[t.PEDALN + t.PEDALN_RELEASE_MS] = release_ms
        self.values[t.PEDALN + t.PEDALN_VACUUM] = 0
        self.stopped = self.wants_edges = False
        self.random = random.Random(seed)
        self.us = WRAP - 1_000_000  # the clock wraps on the way
        self.presses = self.releases = 0
        self._edge_us = -1
        self._closed = 0
        self.pedal = Pedal(self, 0)
        self.pedal.configure()
        self.pass_us = self.us
        self.run([], 10_000)

    # what the pedal asks of its board and its app

    @staticmethod
    def ticks_diff(a: int, b: int) -> int:
        diff = (a - b) % WRAP
        return diff - WRAP if diff >= WRAP >> 1 else diff

    def pedal_edge(self, _n: int) -> int:
        edge_us, self._edge_us = self._edge_us, -1
        return edge_us

    def emit(self, topic: int, _pedal: int, down: int, _us: int = 0) -> None:
        if topic == t.T_PEDAL and down:
            self.presses += 1
        elif topic == t.T_PEDAL:
            self.releases += 1

    def notice(self, _number: int, _on: bool) -> None:
        pass

    def strike(self, _program: Any) -> None:
        pass

    # the contact

    def burst(self, length_us: int) -> list[int]:
        """Times after the first edge at which the contact moves again: an even number, so that it ends as it should."""
        if length_us < 2:
            return []
        more = 2 * self.random.randint(1, MOST_EDGES // 2)
        return [*sorted(self.random.randrange(1, length_us) for _ in range(more - 1)), length_us]

    def foot(self, down: bool, length_us: int, rest_us: int) -> None:
        """The foot moves; then `rest_us` pass after the burst. Passes in which the pedal does nothing are left out."""
        begin = self.us + self.random.randrange(PASS_US)
        level = int(down)
        moves = []
        for us in (0, *self.burst(length_us)):
            moves.append((begin + us, level))
            level ^= 1
        self.run(moves, length_us + rest_us)

    def run(self, moves: list[tuple[int, int]], us: int) -> None:
        end = self.us + us
        at = 0
        while self.pass_us < end:
            while at < len(moves) and moves[at][0] <= self.pass_us:
                if moves[at][1] != self._closed:
                    self._closed = moves[at][1]
                    if self._edge_us < 0:
                        self._edge_us = moves[at][0] % WRAP
                at += 1
            self.pedal.tick(self.pass_us % WRAP, self._closed | (0x100 if self._edge_us >= 0 else 0))
            if self.pedal._at_rest and self._edge_us < 0:
                self.pass_us = max(self.pass_us + PASS_US, moves[at][0] if at < len(moves) else end)
            else:
                self.pass_us += PASS_US
        self.us = end


def doubles_pct(release_ms: int, length_ms: float, presses: int = PRESSES, press_ms: int = 3) -> float:
    """Presses that counted more than once, in percent, when both bursts of each take `length_ms`."""
    bench = Bench(press_ms, release_ms, seed=round(1000 * length_ms) + release_ms)
    doubled = 0
    for _ in range(presses):
        before = bench.presses
        bench.foot(True, round(length_ms * 1000), 250_000)
        bench.foot(False, round(length_ms * 1000), 250_000)
        doubled += bench.presses - before > 1
    return 100 * doubled / presses


def main() -> None:
    """Draw the figure and print its numbers."""
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams["svg.hashsalt"] = "airquill"
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(figsize=(6.0, 3.0), layout="constrained")
    for release_ms, colour in zip(RELEASE_MS, ("#2f6f6a", "#b0562f", "#4b5d8c"), strict=True):
        lengths = [release_ms * share / 20 for share in range(10, 101, 5)]
        shares = [doubles_pct(release_ms, length) for length in lengths]
        axes.plot(lengths, shares, color=colour, marker=".", label=f"release_ms {release_ms}")
        axes.axvline(release_ms, color=colour, linewidth=0.8, linestyle=(0, (4, 3)))
        told = ", ".join(f"{length:.0f} ms {share:.1f} %" for length, share in zip(lengths, shares, strict=True))
        print(f"release_ms {release_ms}: {told}")
    axes.set_xlabel("length of the bounce, ms")
    axes.set_ylabel("presses counted twice, %")
    axes.legend(frameon=False)
    figure.savefig(Path(__file__).with_suffix(".svg"), metadata={"Date": None})


if __name__ == "__main__":
    main()
