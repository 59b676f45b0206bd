"""A virtual unit measured once, and what tests of tuning share."""

from __future__ import annotations

from functools import cache

from airquill.link.client import Client
from airquill.simulator.control import Control
from airquill.tuning.fit import Fit, fit
from airquill.tuning.hands import ControlHands, control_of
from airquill.tuning.readers import SensorReader
from airquill.tuning.sweep import Sweep
from airquill.tuning.tool import Tool
from airquill.tuning.twin import make_twin
from airquill.twin.file import Twin
from airquill.twin.measurement import Measurement

SAID = {"name": "Heather bench", "serial": "HEATHER-07", "chip": "51a1ab1e00000001", "firmware": "0.1.0"}


def tool_at(url: str) -> tuple[Tool, Control]:
    """A virtual unit with its hands."""
    unit = Client.open(url)
    control = control_of(unit)
    assert control is not None
    return Tool(unit, ControlHands(control)), control


@cache
def measured() -> Measurement:
    """What the sweep finds of a usual virtual unit."""
    tool, _ = tool_at("sim://")
    return Sweep(tool, SensorReader(tool.unit), [22]).run()


@cache
def fitted() -> Fit:
    """The model fitted to it."""
    return fit(measured())


def twin() -> Twin:
    """Its twin."""
    return make_twin(measured(), fitted(), SAID)
