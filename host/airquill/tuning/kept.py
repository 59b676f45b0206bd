"""A unit that is as it was after a measurement: settings, strength in use, outputs; nothing saved."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping

from airquill.errors import AirquillError
from airquill.link.client import Client, LinkLost, UnitRestarted
from airquill.link.convert import Value
from airquill.link.port import Port
from airquill.link.ready import QUIET
from airquill.tuning.tool import Tool

_STRENGTH = "preset.strength_pct"
_BACK_S = 5.0
_TRY_S = 0.25


@contextlib.contextmanager
def as_it_was(tool: Tool, wanted: Mapping[str, Value]) -> Iterator[None]:
    """Run with these settings and with pedals that switch nothing; afterwards all is as before, which is looked at.

    Settings that the unit lacks are left out. AirquillError when the unit is stopped by a fault, and when something is
    not as it was; the sentence says what. A link that was lost is tried again for a few seconds.
    """
    unit = tool.unit
    fault = unit.get("fault.active")["fault.active"]
    if fault:
        raise AirquillError("The unit is stopped by a fault. `airquill log` says which; clear it, then tune.", 1)
    strength = unit.get(_STRENGTH)[_STRENGTH]
    before = unit.all_settings()
    try:
        unit.set({path: value for path, value in {**QUIET, **wanted}.items() if path in before})
        yield
    finally:
        _back(tool, before, strength)


def _back(tool: Tool, before: Mapping[str, Value], strength: Value) -> None:
    """Outputs off, all restored and looked at. Where the link is gone it is opened again."""
    unit = tool.unit
    end = unit.port.now() + _BACK_S
    while True:
        tool.left_unsafe = ""
        tool.safe()
        try:
            restore(unit, before, strength)
            return
        except (UnitRestarted, LinkLost) as error:
            if unit.port.now() > end:
                raise AirquillError(
                    "The link was lost while the unit was measured. Its outputs go off by themselves and nothing was "
                    "saved: switch it off and on, and it has its own settings.",
                    3,
                ) from error
            if isinstance(error, LinkLost):
                _open_again(unit)


def _open_again(unit: Client) -> None:
    url = unit.port.url
    with contextlib.suppress(AirquillError):
        unit.port.sleep(_TRY_S)
        unit.port.close()
        unit.port = Port(url)
        unit.greet_again()


def restore(unit: Client, before: Mapping[str, Value], strength: Value) -> None:
    """Give the unit these settings and this strength where it has others. AirquillError when it does not take them."""
    now = unit.all_settings()
    changed = {path: value for path, value in before.items() if now.get(path) != value}
    if changed:
        unit.set(changed)
        now = unit.all_settings()
        left = [path for path, value in before.items() if now.get(path) != value]
        if left:
            raise AirquillError(f"The unit did not take {left[0]} back. Nothing was saved: restart it.", 1)
    if unit.get(_STRENGTH)[_STRENGTH] != strength:
        unit.do("preset", before["preset.active"])
        if unit.get(_STRENGTH)[_STRENGTH] != strength:
            unit.do("strength", strength)
