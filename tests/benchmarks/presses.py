"""From the foot to the report: how long it takes, what bouncing contacts lose or double, which characters arrive.

    python tests/benchmarks/presses.py [--chip RPI_PICO-v1.28.0.uf2]

Times are those of the virtual unit, in virtual time, and with --chip (a stock MicroPython) also those of the emulated
chip, in emulated time, which takes some minutes. No figure depends on the machine.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
for folder in ("host", "protocol", "device", "hil", "tests"):
    sys.path.insert(0, str(ROOT / folder))

import numpy as np  # noqa: E402

from airquill.keys import DATA_VERSION, LAYOUT_NAMES, layout  # noqa: E402
from benchmarks.heading import heading  # noqa: E402
from oracles import test_keys_layouts as layouts  # noqa: E402
from pedals.bursts import PAIRS, figure, lost_and_doubled  # noqa: E402
from pedals.latency import edge_to_report_ms  # noqa: E402

PRESSES = 200
SHARE = 1  # of the bursts
LENGTHS = (1.0, 1.5, 2.0, 5.0)  # times release_ms


def times() -> None:
    for press_ms in (3, 10):
        median, p99 = np.percentile(edge_to_report_ms(press_ms, PRESSES), [50, 99])
        print(f"virtual unit, press_ms {press_ms}, {PRESSES} presses: edge to report ", end="")
        print(f"median {median:.2f} ms, 99 of 100 {p99:.2f} ms")


def chip_times(stock_uf2: Path) -> None:
    from airquill_hil.chip.figures import run_group

    for one in run_group("figures_press:presses", stock_uf2):
        print(f"emulated chip, {one.name}: {one.value / 1000:.2f} ms{f' ({one.about})' if one.about else ''}")


def bursts() -> None:
    for press_ms, release_ms, count in PAIRS:
        presses = count // 2 // SHARE
        lost, doubled = lost_and_doubled(press_ms, release_ms, presses)
        print(
            f"press_ms {press_ms}, release_ms {release_ms}: {presses} presses, {2 * presses} bursts shorter than ",
            end="",
        )
        print(f"release_ms, {lost} lost, {doubled} doubled")
    draw = figure()
    presses = draw.PRESSES // SHARE
    shares = (f"{at:g} times release_ms {draw.doubles_pct(20, 20 * at, presses):.1f} %" for at in LENGTHS)
    print(f"release_ms 20, {presses} presses each, doubled when bursts last {', '.join(shares)}")


def characters() -> None:
    pc = layouts.load()
    print(f"characters through report, Linux key and xkbcommon ({DATA_VERSION}):")
    for name in LAYOUT_NAMES:
        claimed, missing = layouts.not_arriving(pc, name)
        dead = len(set(layout(name).dead_keys().values()))
        print(f"  {name:<7} {len(claimed):3} checked, {len(missing)} not arrived, {dead} dead keys")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--chip", type=Path, metavar="UF2", help="measure on the emulated chip too")
    chip = parser.parse_args().chip
    heading()
    times()
    if chip:
        chip_times(chip)
    bursts()
    characters()


if __name__ == "__main__":
    main()
