"""How fast a whole virtual unit is: firmware, protocol and physics in this Python, virtual seconds per wall second.
Beside it per second of processor time, which is the same on a machine that does nothing else.

    python tests/benchmarks/unit.py [--profile]

Picking: the pedal is down for 1 s of every 2, and a host streams the vacuum. A working day: eight hours in which twenty
boards of fifteen parts are placed, a part every four seconds, and the tool lies idle between boards. --profile shows
where the time of the picking goes.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
for folder in ("host", "protocol", "device", "tests"):
    sys.path.insert(0, str(ROOT / folder))

from airquill.link.client import Client  # noqa: E402
from airquill.simulator.control import Control  # noqa: E402
from benchmarks.heading import heading  # noqa: E402

PICKING_S = 60
BOARDS = 20
PARTS = 15
DAY_S = 8 * 3600


class Day:
    """A unit with a foot on its pedal."""

    def __init__(self) -> None:
        self.client = Client.open("sim://?needle=22")
        self.unit = self.client.port.raw.unit  # type: ignore[attr-defined]
        self.hands = Control.of(self.unit)

    def part(self, held_s: float, pause_s: float) -> None:
        """One part: pedal down, the tip finds it, pedal up."""
        self.hands.press(1, bounce="foot")
        self.hands.sleep(0.3 * held_s)
        self.hands.tip(0.05)
        self.hands.sleep(0.7 * held_s)
        self.hands.release(1, bounce="foot")
        self.hands.tip("open")
        self.hands.sleep(pause_s)


class Watch:
    """Wall and processor time since it was made."""

    def __init__(self) -> None:
        self._wall, self._processor = time.perf_counter(), time.process_time()

    def gain(self, virtual_s: float) -> tuple[float, float]:
        """Virtual seconds per wall second and per second of processor time."""
        return virtual_s / (time.perf_counter() - self._wall), virtual_s / (time.process_time() - self._processor)


def picking(seconds: int) -> tuple[float, float]:
    """Gain of uninterrupted picking: per wall second, per processor second."""
    day = Day()
    day.client.stream(100, "vacuum.kpa")
    watch, at = Watch(), day.hands.clock()
    for _ in range(seconds // 2):
        day.part(1.0, 1.0)
        for _ in day.client.events(0):
            pass
    gain = watch.gain(day.hands.clock() - at)
    assert day.client.get("cycle.picks")["cycle.picks"] == seconds // 2
    return gain


def working_day(boards: int) -> tuple[float, float]:
    """Gain of eight hours in which so many boards are placed: per wall second, per processor second."""
    day = Day()
    watch = Watch()
    for _ in range(boards):
        for _ in range(PARTS):
            day.part(1.5, 2.5)
        day.hands.sleep(DAY_S / boards - PARTS * 4.0)
    gain = watch.gain(DAY_S)
    assert day.client.get("cycle.picks")["cycle.picks"] == boards * PARTS
    return gain


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--profile", action="store_true", help="where the time of the picking goes")
    wanted = parser.parse_args().profile
    heading()
    if wanted:
        profiler = cProfile.Profile()
        profiler.runcall(picking, PICKING_S)
        pstats.Stats(profiler).sort_stats("tottime").print_stats(15)
        return
    for name, run, size in (("picking", picking, PICKING_S), ("a working day", working_day, BOARDS)):
        wall, processor = run(size)
        print(f"{name:<14} {wall:6.0f} virtual seconds per wall second, {processor:6.0f} per second of processor time")


if __name__ == "__main__":
    main()
