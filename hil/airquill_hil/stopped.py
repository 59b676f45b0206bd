"""A unit that a fault has stopped: is the fault told by its number, are the outputs off, does it clear?"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass

from airquill.link.client import Client
from airquill.link.history import fault_of
from airquill.link.problems import Refused
from airquill_hil.bench import Bench

_AGAIN_S = 0.2


@dataclass(frozen=True)
class Stopped:
    """What was right: its number was `told`, outputs were `off`, it was `cleared`."""

    number: int
    told: bool
    off: bool
    cleared: bool

    @property
    def wrong(self) -> list[str]:
        """What was not, as it reads after the fault's name."""
        said = ((self.told, "not told"), (self.off, "left outputs on"), (self.cleared, "did not clear"))
        return [word for right, word in said if not right]

    @property
    def sentence(self) -> str:
        """Empty where all was right."""
        fault = fault_of(self.number)
        name = f"Fault {self.number}" + (f" ({fault.word})" if fault else "")
        return f"{name}: {', '.join(self.wrong)}." if self.wrong else ""


def stopped(bench: Bench, number: int, mended: Callable[[], None] = lambda: None, patience_s: float = 1.0) -> Stopped:
    """Look at a unit that fault `number` should have stopped, have its cause `mended`, and clear it."""
    unit = bench.unit
    told = unit.get("fault.active")["fault.active"] == number
    off = driven_by_its_word(unit) == 0 and ("gates" not in bench.capabilities() or gates_low(bench))
    mended()
    end = unit.port.now() + patience_s
    while True:
        with contextlib.suppress(Refused):
            unit.do("clear")
        cleared = unit.get("fault.active")["fault.active"] == 0
        if cleared or unit.port.now() > end:
            return Stopped(number, told, off, cleared)
        unit.port.sleep(_AGAIN_S)


def driven_by_its_word(unit: Client) -> float:
    """What the unit says that it drives, pump and valve together, in percent."""
    return sum(float(str(duty)) for duty in unit.get("pump.duty_pct", "valve.duty_pct").values())


def gates_low(bench: Bench) -> bool:
    """Nothing is driven, as the rig sees it."""
    gates = bench.rig.gates()
    return gates.pump == 0 and gates.valve == 0
