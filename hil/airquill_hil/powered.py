"""A saved setting that a check changes while it cuts the power: it comes back, however the check ends."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from airquill.errors import AirquillError
from airquill_hil.bench import Bench

UP_S = 15.0


@contextlib.contextmanager
def restored(bench: Bench, path: str) -> Iterator[None]:
    """Afterwards the unit has power, and the setting is saved as it was, where the unit can be reached."""
    unit = bench.unit
    own = unit.get(path)
    try:
        yield
    finally:
        with contextlib.suppress(AirquillError):
            bench.rig.power(True)
        with contextlib.suppress(AirquillError):
            _reach(bench)
            if unit.get(path) != own:
                unit.set(own, keep=True)


def _reach(bench: Bench) -> None:
    """Greet the unit, which may be starting."""
    end = bench.unit.port.now() + UP_S
    while True:
        try:
            bench.unit.greet_again()
            return
        except AirquillError:
            if bench.unit.port.now() > end:
                raise
