"""Figures of the key presses: from the pedal's contact to the host's poll."""

import random

from .emulator import ChipError
from .figures import Figure, percentile
from .unit import Image, Unit

PRESSES = 200
QUEUED_US = 1200.0
BETWEEN_MS = 120.0
SPIN_UP_MS = 1000.0
ANSWER_MS = 50.0
SEED = 1


def presses(image: Image) -> list[Figure]:
    """200 presses of pedal 2 at random phases of the loop and of the host's frames, pump running."""
    unit = Unit(image)
    chip = unit.chip
    chip.press(unit.pedals[0])
    unit.settle(SPIN_UP_MS)
    agreement_ms = unit.number("pedal2.press_ms")
    phase = random.Random(SEED)
    queued_us, whole_us = [], []
    for _ in range(PRESSES):
        chip.run(BETWEEN_MS + phase.random())
        chip.reports.clear()
        edge_ns = chip.ns
        chip.press(unit.pedals[1])
        if not chip.run(ANSWER_MS, lambda: any(any(report.data) for report in chip.reports)):
            raise ChipError("A press of pedal 2 gave no key report. Check its default stroke.")
        report = next(report for report in chip.reports if any(report.data))
        queued_us.append((report.queued_ns - edge_ns) / 1000 - agreement_ms * 1000)
        whole_us.append((report.taken_ns - edge_ns) / 1000)
        chip.release(unit.pedals[1])
    named = f"press_ms {agreement_ms:g}"
    return [
        Figure(
            "end of agreement to the report queued, 99th percentile",
            percentile(queued_us, 99),
            "us",
            QUEUED_US,
            about=f"{PRESSES} presses at random phases, pump running",
        ),
        Figure("edge to the host's poll, 99th percentile", percentile(whole_us, 99), "us", about=named),
        Figure("edge to the host's poll, median", percentile(whole_us, 50), "us", about=named),
    ]
