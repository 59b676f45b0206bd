"""Draws docs/figures/pick_time.svg: how far a thousand units with usual part tolerances differ in pick time.

Run from the top of the tree: PYTHONPATH=host python docs/figures/pick_time.py
"""

from pathlib import Path

import matplotlib as mpl
import numpy as np

from airquill.pneumatics.air import Air
from airquill.pneumatics.needles import Needle
from airquill.pneumatics.pump import Pump
from airquill.pneumatics.valve import Valve
from airquill.pneumatics.vector import AirMany

mpl.use("svg")
mpl.rcParams["svg.hashsalt"] = "airquill"
import matplotlib.pyplot as plt  # noqa: E402  (the back end is chosen first)

UNITS = 1000


def pick_times_ms() -> np.ndarray:
    """Time from a cold start of pump and valve to 40 kPa with a sealed 22G tip, ms."""
    draw = np.random.default_rng(20)
    needle = Needle(22)
    airs = [
        Air(
            Pump(5.0 * draw.normal(1.0, 0.1), 65.0 * draw.normal(1.0, 0.05)),
            Valve(0.3 * draw.normal(1.0, 0.1)),
            needle,
            hose_bore_mm=2.5 * draw.normal(1.0, 0.03),
            hose_length_mm=draw.normal(1000.0, 50.0),
            pen_ml=3.0 * draw.normal(1.0, 0.1),
        )
        for _ in range(UNITS)
    ]
    many = AirMany(airs)
    many.pump_duty, many.valve_drive, many.tip_share = 0.8, 1.0, 0.0
    reached = np.zeros(UNITS)
    for step in range(3000):
        many.step(1e-3)
        reached[(reached == 0.0) & (many.pen_kpa >= 40.0)] = step + 1.0
    return reached


def main() -> None:
    """Draw the figure and print its numbers."""
    times = pick_times_ms()
    low, middle, high = np.percentile(times, [2.5, 50.0, 97.5])
    print(f"median {middle:.0f} ms, 95 of 100 between {low:.0f} and {high:.0f} ms")
    figure, axes = plt.subplots(figsize=(6.0, 3.0), layout="constrained")
    axes.hist(times, bins=30, color="#4477aa")
    axes.axvline(middle, color="#222222", linewidth=1.0)
    axes.set_xlabel("time from start to 40 kPa, ms (22G, sealed tip, 80 % duty)")
    axes.set_ylabel(f"units of {UNITS}")
    figure.savefig(Path(__file__).with_suffix(".svg"), metadata={"Date": None})


main()
