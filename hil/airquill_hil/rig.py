"""The rig: what measures a unit from outside and switches its power. A virtual unit brings one of its own.

Times are microseconds on the rig's clock, one clock for what it does and what it sees. Whatever a rig cannot do raises
AirquillError, and that ends a run as an error: it says nothing about the unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from airquill.simulator.control import Control

FULL = 65535
ABILITIES = ("gates", "presses", "meter", "reference", "power", "hang")


@dataclass(frozen=True)
class Gates:
    """What drives pump and valve now: frequency in Hz, duty as a share of 1."""

    pump_hz: float
    pump: float
    valve_hz: float
    valve: float


@dataclass(frozen=True)
class Drive:
    """From `us` on the gates had these duties, as shares of 1."""

    us: int
    pump: float
    valve: float


class Rig(Protocol):
    """`abilities` are words of ABILITIES: gates, presses, meter, reference, power, hang. Checks ask for them."""

    abilities: tuple[str, ...]

    def gates(self) -> Gates:
        """What the unit drives now."""

    def record(self) -> None:
        """Begin to record changes of the gates anew."""

    def drives(self) -> list[Drive]:
        """Changes since `record`, the state at its beginning first."""

    def press(self, pedal: int, ms: int, bounce: Sequence[int] = ()) -> int:
        """Press pedal 1 or 2 for so long; the contact changes again at `bounce`, us after either edge.

        Returns when the contact first moved, and may return before it comes up.
        """

    def vacuum_kpa(self) -> float:
        """Vacuum at the tip below ambient, by the rig's own sensor."""

    def supply_v(self) -> float:
        """The unit's supply voltage."""

    def power(self, on: bool) -> None:
        """Switch the unit's supply."""

    def hang(self) -> int:
        """Make the firmware stand still; returns when. Only virtual units can."""

    def rest(self) -> None:
        """Pedals up, supply on."""


class VirtualRig:
    """The rig around a virtual unit: answers from what really is, not from what the unit says."""

    abilities: tuple[str, ...] = ABILITIES

    def __init__(self, control: Control) -> None:
        self._control = control

    def gates(self) -> Gates:
        """From the unit's outputs."""
        said = self._control.outputs()
        return Gates(said["pump_hz"], said["pump"] / FULL, said["valve_hz"], said["valve"] / FULL)

    def record(self) -> None:
        """From now on."""
        self._control.record_drives(True)

    def drives(self) -> list[Drive]:
        """What was recorded."""
        return [Drive(us, pump, valve) for us, pump, valve in self._control.drives()]

    def press(self, pedal: int, ms: int, bounce: Sequence[int] = ()) -> int:
        """By the virtual unit's own contact."""
        return self._control.press(pedal, ms=ms, bounce=list(bounce))

    def vacuum_kpa(self) -> float:
        """The pen's real vacuum."""
        return float(self._control.truth()["pen_kpa"])

    def supply_v(self) -> float:
        """The real voltage."""
        return float(self._control.truth()["supply_volts"])

    def power(self, on: bool) -> None:
        """Cut, or given back."""
        if on:
            self._control.power_up()
        else:
            self._control.power_cut()

    def hang(self) -> int:
        """The firmware stands still until its watchdog bites."""
        now = round(self._control.clock() * 1e6)
        self._control.hang()
        return now

    def rest(self) -> None:
        """Feet up, power on, nothing recorded."""
        self._control.power_up()
        self._control.record_drives(False)
