"""Faults injected into a virtual unit, to show that a check sees them.

A fault is written as one text: `hose_leak=0.4` (any fault of the simulator with its strength), `supply=9` (V),
`key_host=deaf`, `serial=OTHER`, `save=lost` (a setting that is not in the flash), `hang` (the firmware stands still
until its watchdog bites). Others only a unit in this process can have: `registry=other` (firmware of another version),
`keyboard=sticky` (empty reports get lost), and those of FIRMWARE_FAULTS and boards.py.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.simulator.control import Control
from airquill_device.app import App
from airquill_device.store import Store
from airquill_hil.boards import BOARD_FAULTS, patched
from airquill_protocol import tables

_fault = App.fault
FIRMWARE_FAULTS: dict[str, tuple[type, dict[str, Any]]] = {
    "stop=ignored": (App, {"_safe": lambda _app: None}),
    "clear=ignored": (App, {"clear": lambda _app: False}),
    "fault=misnumbered": (App, {"fault": lambda app, number: _fault(app, number % 5 + 1)}),
    "notice=silent": (App, {"notice": lambda _app, _number, _on: None}),
    # Records are taken for whole without a look at their check sum.
    "store=trusting": (Store, {"_sound": lambda _store, _role, _at, _size: True}),
}
"""Wrong firmware by what it does, as methods that take the place of sound ones."""

_BITE_S = 12.0
_NOTICED_S = 2.0


@contextmanager
def injected(fault: str, unit: Client, control: Control) -> Iterator[None]:
    """The unit has this fault while the context lasts. AirquillError for a fault that it cannot have."""
    name, _, value = fault.partition("=")
    if name == "supply":
        control.supply(float(value))
        unit.port.sleep(_NOTICED_S)
    elif name == "key_host":
        control.key_host(value)
    elif name == "serial":
        unit.set({"unit.serial": value})
    elif name == "save":
        unit.set({"unit.name": value})  # runs, and is lost at the next start
    elif name == "hang":
        control.hang()
        unit.port.sleep(_BITE_S)
        unit.greet_again()
    elif name == "registry":
        tables.REGISTRY_HASH, before = "00000000", tables.REGISTRY_HASH
        try:
            yield
        finally:
            tables.REGISTRY_HASH = before
        return
    elif fault in FIRMWARE_FAULTS:
        _inside(unit)
        owner, methods = FIRMWARE_FAULTS[fault]
        with patched(owner, methods):
            yield
        return
    elif name in BOARD_FAULTS:
        _inside(unit)
        with BOARD_FAULTS[name](value):
            # From its start on, as a real part would have it.
            unit.do("restart")
            unit.wait_for_restart()
            yield
        return
    elif name == "keyboard":
        _swallow_empty_reports(unit)
    else:
        control.fault(name, float(value))
    yield
    # The rest stays: a unit that was given a fault is not used for anything else.


def _swallow_empty_reports(unit: Client) -> None:
    inside = _inside(unit)
    take = inside.board.key_report
    inside.board.key_report = lambda report: take(report) if any(report) else True


def _inside(unit: Client) -> Any:
    inside: Any = getattr(unit.port.raw, "unit", None)
    if inside is None:
        raise AirquillError("Only a unit in this process can have that fault. Use an address sim://.")
    return inside
