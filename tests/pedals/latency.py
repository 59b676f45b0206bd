"""Pedal edge to report on the virtual unit: clean presses at any phase of its passes."""

from __future__ import annotations

import random

import numpy as np
from numpy.typing import NDArray

from airquill.link.client import Client
from airquill.simulator.control import Control


def edge_to_report_ms(press_ms: int, presses: int) -> NDArray[np.float64]:
    """From the contact's first edge to the computer's taking of the report, for each press."""
    with Client.open("sim://") as unit:
        unit.set({"pedal2.press_ms": press_ms})
        hands = Control.of(unit.port.raw.unit)
        unit.port.sleep(0.3)
        seen = len(hands.reports())
        phases = random.Random(20)
        edges_us = []
        for _ in range(presses):
            unit.port.sleep(0.2 + phases.random() / 100)
            edges_us.append(hands.press(2, ms=80, bounce="clean"))
        unit.port.sleep(0.5)
        downs_us = [us for us, report in hands.reports()[seen:] if report[2]]
    assert len(downs_us) == presses
    return (np.array(downs_us) - np.array(edges_us)) / 1000
