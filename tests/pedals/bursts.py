"""Random bursts at the firmware's own pedal: each end of a press bounces, and how often it was lost or doubled."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

SCRIPT = Path(__file__).parents[2] / "docs/figures/bounce_doubles.py"
# Pairs of settings, and how many bursts each gets: 100,000 in all.
PAIRS = ((3, 20, 60_000), (1, 10, 20_000), (3, 35, 10_000), (10, 20, 10_000))


def figure() -> Any:
    """The script that draws the curve of doubles; its bench drives the pedal."""
    spec = importlib.util.spec_from_file_location("bounce_doubles", SCRIPT)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def lost_and_doubled(press_ms: int, release_ms: int, presses: int) -> tuple[int, int]:
    """Presses of 40 to 240 ms, a burst shorter than release_ms at each end."""
    bench = figure().Bench(press_ms, release_ms, seed=release_ms * 100 + press_ms)
    lost = doubled = 0
    for _ in range(presses):
        before = bench.presses, bench.releases
        for down in (True, False):
            length_us = bench.random.randrange(release_ms * 1000)
            # Between two presses as between press and release: the shortest that a foot can do (from memory), so that
            # lockout and the agreement of the press before are under way.
            bench.foot(down, length_us, 40_000 + bench.random.randrange(180_000))
        counted = bench.presses - before[0], bench.releases - before[1]
        lost += min(counted) < 1
        doubled += max(counted) > 1
    return lost, doubled
