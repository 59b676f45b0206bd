"""How fast the link is: requests per second and median round trip, over `sim://` and over a pseudo-terminal.

    python tests/benchmarks/link.py [--requests 500]

The virtual unit behind the terminal runs in real time: its loop takes a line in pieces, one pass a millisecond, as the
chip does. `sim://` runs in virtual time, so its wall time says what the host and the simulated firmware cost, and its
virtual time what a person would wait.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
for folder in ("host", "protocol", "device", "hil", "tests"):
    sys.path.insert(0, str(ROOT / folder))

from airquill.link.client import Client  # noqa: E402
from benchmarks.heading import heading  # noqa: E402
from command_line import end, start_unit  # noqa: E402

PATHS = ("vacuum.kpa", "pump.duty_pct", "cycle.state", "cycle.grip", "pedal1.down")


def round_trips(unit: Client, count: int, now: Callable[[], float]) -> list[float]:
    """Seconds of each round trip by the clock `now`."""
    took = []
    for _ in range(count):
        start = now()
        unit.get(*PATHS)
        took.append(now() - start)
    return took


def report(name: str, took: list[float]) -> None:
    fast, slow = min(took) * 1e3, sorted(took)[int(len(took) * 0.99)] * 1e3
    print(
        f"{name:<22} {len(took) / sum(took):8.0f} requests/s   median {statistics.median(took) * 1e3:7.3f} ms   "
        f"fastest {fast:7.3f} ms   99 % below {slow:7.3f} ms"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--requests", type=int, default=500)
    count = parser.parse_args().requests
    heading()
    print(f"one request: get of {len(PATHS)} readings")
    with Client.open("sim://") as unit:
        unit.get(*PATHS)
        report("sim://, wall time", round_trips(unit, count, time.perf_counter))
        report("sim://, virtual time", round_trips(unit, count, unit.port.now))
    with tempfile.TemporaryDirectory() as folder:
        os.environ["AIRQUILL_STATE"] = folder
        running = start_unit(Path(folder) / "unit")
        try:
            with Client.open(running.port) as unit:
                unit.get(*PATHS)
                report("pseudo-terminal", round_trips(unit, count, time.perf_counter))
        finally:
            end(running)


if __name__ == "__main__":
    main()
