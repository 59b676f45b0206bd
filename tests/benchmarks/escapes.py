"""Escapes and overkill: virtual units drawn from tolerances, a fifth of them faulty, with and without guard band.

    python tests/benchmarks/escapes.py --units 500

Whether a unit is bad is measured on its twin without any error of the sensor, against the limits themselves.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
for folder in ("host", "protocol", "device", "hil", "tests"):
    sys.path.insert(0, str(ROOT / folder))

import numpy as np  # noqa: E402

from airquill.link.client import Client  # noqa: E402
from airquill.pneumatics.sensor import DRIFT_KPA  # noqa: E402
from airquill.tuning.hands import ControlHands, control_of  # noqa: E402
from airquill_hil.bench import Bench  # noqa: E402
from airquill_hil.checks import CHECKS  # noqa: E402
from airquill_hil.limits import Limits, Outcome, load_limits  # noqa: E402
from airquill_hil.run import run_check  # noqa: E402
from benchmarks.heading import heading  # noqa: E402

FAULTY = 0.2
# A unit's sensor is off by this standard deviation; twice it is the guard band of the levels.
SENSOR_KPA = 0.5
MEASURED = ("vacuum", "vent")
# What goes wrong at the bench of a small maker, each as strong as it comes (from memory).
FAULTS = ("pump_wear", "hose_leak", "tip_clog", "filter_clog", "valve_slow")


@dataclass(frozen=True)
class Drawn:
    """A unit: its seed, what it has of each fault, its sensor's error in kPa."""

    seed: int
    faults: dict[str, float]
    sensor_kpa: float


@dataclass(frozen=True)
class Count:
    """Units by what they are and what became of them: escapes are bad ones accepted, overkill good ones rejected."""

    bad: int
    good: int
    escapes: int
    overkill: int


def draw(units: int, seed: int) -> list[Drawn]:
    """Units of the tolerances: pumps up to a tenth worn, a fifth of the units with one fault of any strength."""
    chance = np.random.default_rng(seed)
    found = []
    for n in range(units):
        faults = {"pump_wear": float(chance.uniform(0, 0.1))}
        if chance.random() < FAULTY:
            faults[FAULTS[int(chance.integers(len(FAULTS)))]] = float(chance.uniform(0, 1))
        found.append(Drawn(n + 1, faults, float(chance.normal(0, SENSOR_KPA))))
    return found


def worst(drawn: Drawn, limits: Limits, true: bool) -> Outcome:
    """The worst outcome of a unit's figures, by its own sensor, or in truth."""
    with Client.open(f"sim://?seed={drawn.seed}") as unit:
        control = control_of(unit)
        assert control is not None
        for name, strength in drawn.faults.items():
            control.fault(name, strength)
        raw: Any = unit.port.raw
        sensor = raw.unit.board.world.sensor
        if true:
            sensor.noise_kpa = 0.0
        else:
            sensor.faults["sensor_drift"] = drawn.sensor_kpa / DRIFT_KPA  # since the zero was learned
        bench = Bench(unit, limits, ControlHands(control))
        figures = [one for check in CHECKS if check.name in MEASURED for one in run_check(bench, check).figures]
    order = (Outcome.FAIL, Outcome.MARGINAL, Outcome.PASS)
    return next(outcome for outcome in order if any(one.outcome is outcome for one in figures))


def study(units: list[Drawn]) -> dict[str, Count]:
    """Counts with a guard band, where only a plain pass is accepted, and without one."""
    limits = load_limits()
    seen = Counter((worst(one, limits, true=True), worst(one, limits, true=False)) for one in units)
    bad = sum(count for (truth, _), count in seen.items() if truth is Outcome.FAIL)
    rules = {
        "without guard band": (Outcome.PASS, Outcome.MARGINAL),
        "with guard band": (Outcome.PASS,),
    }
    return {
        name: Count(
            bad,
            len(units) - bad,
            sum(count for (truth, said), count in seen.items() if truth is Outcome.FAIL and said in accepted),
            sum(count for (truth, said), count in seen.items() if truth is not Outcome.FAIL and said not in accepted),
        )
        for name, accepted in rules.items()
    }


def main() -> None:
    """Print the counts and how long a unit takes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    heading()
    begun = time.monotonic()
    found = study(draw(wanted.units, wanted.seed))
    took_s = time.monotonic() - begun
    for name, count in found.items():
        print(
            f"{name}: {count.escapes} of {count.bad} bad ones accepted, {count.overkill} of {count.good} good rejected"
        )
    print(f"{took_s / wanted.units / 2 * 1000:.0f} ms a unit and run of {', '.join(MEASURED)}")


if __name__ == "__main__":
    main()
