"""How often a change is told of a healthy unit, and at which strength of a growing fault one is told.

Each session is a virtual unit of a make of its own with its own figures of acceptance, and an operator: needle,
strength, parts, misses and how late the tip comes down are drawn from the session's number.
"""

from __future__ import annotations

import argparse
import random
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
for folder in ("host", "protocol", "device", "tests"):
    sys.path.insert(0, str(ROOT / folder))

from airquill.live.trend import SET  # noqa: E402
from benchmarks.heading import heading  # noqa: E402
from operator_at_work import PARTS, at_work  # noqa: E402

GROWING = {
    "filter_clog": (0.0, 0.4, 0.5, 0.55, 0.6, 0.65),
    "pump_wear": (0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3),
    "hose_leak": (0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3),
}


def drawn(number: int) -> dict[str, Any]:
    """Needle, strength and habits of a session."""
    chance = random.Random(number)
    needle = chance.choice((18, 20, 22, 25, 27))
    return {
        "needle": needle,
        "strength_pct": chance.choice((50, 60, 70, 80, 100)),
        "learned": chance.random() < 0.5,
        "make": "measured",
        "parts": PARTS[2:] if needle == 18 else PARTS,
        "miss_share": chance.choice((0.0, 0.1, 0.3)),
        "latest_s": chance.choice((0.1, 0.3, 0.7)),
    }


def healthy(sessions: int, picks: int) -> list[str]:
    """A line for each session in which something was told."""
    found = []
    for number in range(sessions):
        trend = at_work(number, picks, **drawn(number))
        found += [f"session {number}: {notice.sentence}" for notice in trend.arisen]
    return found


def first_told(fault: str, strengths: tuple[float, ...], number: int, each: int = SET) -> float | None:
    """The strength at which a fault that grows every `each` picks is told first; None when it never is."""

    def grow(pick: int) -> tuple[str, float] | None:
        return (fault, strengths[pick // each]) if pick % each == 0 else None

    trend = at_work(number, each * len(strengths), grow, **{**drawn(number), "needle": 22})
    return strengths[(trend.arisen[0].pick - 1) // each] if trend.arisen else None


def main() -> None:
    """Print it all."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sessions", type=int, default=100)
    parser.add_argument("--picks", type=int, default=40)
    wanted = parser.parse_args()
    heading()
    told = healthy(wanted.sessions, wanted.picks)
    print(f"healthy: {len(told)} notices in {wanted.sessions} sessions of {wanted.picks} picks", flush=True)
    for line in told:
        print(f"  {line}")
    for fault, strengths in GROWING.items():
        at = [first_told(fault, strengths, 1000 + number) for number in range(max(wanted.sessions // 10, 1))]
        print(f"{fault}: told at {', '.join('never' if one is None else f'{one:g}' for one in at)}", flush=True)


if __name__ == "__main__":
    main()
