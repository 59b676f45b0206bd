"""How often the intervals of a fit hold the truth: tools drawn at random, solved by scipy, measured with noise.

    python tests/benchmarks/fit_coverage.py [runs] [first seed]

Each run draws a tool from what tools differ by (tuning/parameters.py), lets tests/tuning/independent.py solve it, and
fits what a sensor with 0.1 kPa of noise sees of it. A sound 95 % interval holds the truth in 90 to 99 % of 200 runs.
"""

from __future__ import annotations

import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
for folder in ("host", "protocol", "tests"):
    sys.path.insert(0, str(ROOT / folder))

from benchmarks.heading import heading  # noqa: E402
from tuning.independent import NEEDLES, held  # noqa: E402


def main() -> None:
    runs, first = (int(text) for text in (sys.argv[1:] + ["200", "1"][len(sys.argv) - 1 :])[:2])
    heading()
    begun = time.monotonic()
    with ProcessPoolExecutor(2) as pool:
        found = list(pool.map(held, range(first, first + runs), chunksize=4))
    print(f"{runs} runs with needles {NEEDLES} in {time.monotonic() - begun:.0f} s, two at once")
    for name in found[0].inside:
        inside = sum(one.inside[name] for one in found)
        told = sum(one.told[name] for one in found)
        print(f"{name:<15} interval holds the truth in {100 * inside / runs:5.1f} %; told in {told} of {runs}")
    print(f"fits: {sum(one.fits for one in found)} of {runs}; chi-square a degree: "
          f"{sum(one.chi2_share for one in found) / runs:.3f}")  # fmt: skip


if __name__ == "__main__":
    main()
