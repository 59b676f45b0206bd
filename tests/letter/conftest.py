"""A virtual unit with everything in it that a letter must not tell."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

import airquill.simulator as airquill_simulator
from airquill.keys import encode
from airquill.link.client import Client
from airquill.link.convert import Value
from airquill.simulator.control import Control
from airquill.tuning.checkup import Checkup, run_checkup
from airquill.tuning.hands import ControlHands
from airquill.tuning.tool import Tool

URL = "sim://letter?seed=7"
SECRETS = ("hunter2", "Ada", "Lovelace", "s3cret", "Marias")
SETTINGS: dict[str, Value] = {
    "unit.name": "Ada Lovelace bench",
    "unit.serial": "HEATHER-07",
    "preset1.name": "Marias needle",
    "preset2.name": "s3cret",
    "keys.allow_text": True,
    "keys.allow_system": True,
    "pedal1.hold_keys": encode('"hunter2", Enter', "us"),
    "pedal2.tap_keys": encode("Down Arrow", "us"),
    "pedal2.hold_keys": encode("Left Control + S", "us"),
    "keys.on_gripped": encode('"Ada"', "us"),
}
HOST = {"airquill": "0.1.0", "python": "3.11.7", "system": "Linux"}


@pytest.fixture
def unit() -> Iterator[Client]:
    airquill_simulator.reset()
    with Client.open(URL) as unit:
        unit.set(SETTINGS, keep=True)
        yield unit
    airquill_simulator.reset()


def checkup_of(unit: Client, fault: str = "", strength: float = 0.0) -> Checkup:
    """A checkup by the unit's own hands, with a fault."""
    control = Control.of(unit.port.raw.unit)
    if fault:
        control.fault(fault, strength)
    return run_checkup(Tool(unit, ControlHands(control)), 22, 0.0)
