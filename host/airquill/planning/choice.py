"""Which needles take a package, and how much vacuum it needs on each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from math import ceil, pi, sqrt

from airquill.errors import AirquillError
from airquill.planning.packages import Package
from airquill.pneumatics.air import Air
from airquill.pneumatics.ambient import ambient_pa
from airquill.pneumatics.needles import SIZES_MM, Needle
from airquill.pneumatics.part import (
    FRICTION,
    LOADS,
    NORMAL_ACCEL,
    SAFETY_ROUGH,
    SAFETY_SMOOTH,
    SAFETY_VERTICAL,
    Part,
    fits,
    needed_force_mn,
    needed_vacuum_kpa,
    seal_share,
)

USUAL_GAUGES = (18, 20, 22, 25, 27, 30)  # the needles of the factory presets
SMOOTH_GAP_UM, ROUGH_GAP_UM = 0.5, 5.0  # mean gap under the rim, as the virtual unit draws it; chosen
WORST_GAP = 1.5  # of the mean gap, as the virtual unit draws it; chosen
COVERING = Part(9.0, 9.0, 1.0, 1.0)
"""A part wider than any bore."""
RESERVE = 1.25  # of full vacuum over what is needed, for wear and weather; chosen
CUP_SHARE = 0.8  # a cup's diameter over the smallest top side, at most, as for needles; common practice, no source
LARGEST_CUP_MM = 10.0  # chosen: a larger one is no hand tool's
SETTLED_KPA = 0.002
STEP_S = 0.1
MOST_STEPS = 200


def usual_air(pascal: float) -> Air:
    """The tool where no twin of a measured one is given: 5 L/min, 65 kPa at sea level."""
    return Air(ambient_pa=pascal)


@dataclass(frozen=True)
class Bench:
    """What is at hand and how it is used. `load` is lift, carry or vertical; `safety` None takes that of the load case.
    `air` and `needle` give the tool's air path at an ambient pressure in Pa and its needles, of a twin where there is
    one.

    Raises AirquillError for values that mean nothing.
    """

    gauges: tuple[int, ...] = USUAL_GAUGES
    load: str = "carry"
    safety: float | None = None
    altitude_m: float = 0.0
    air: Callable[[float], Air] = usual_air
    needle: Callable[[int], Needle] = Needle
    _held: dict[tuple[int, bool, float], float] = field(default_factory=dict, repr=False, compare=False)

    def __post_init__(self) -> None:
        wrong = [gauge for gauge in self.gauges if gauge not in SIZES_MM]
        if wrong or not self.gauges:
            raise AirquillError(f"No needle of {wrong[0] if wrong else 'no'} gauge is known; there are 14 to 34.")
        if self.load not in LOADS:
            raise AirquillError(f"No load case is called {self.load}. There are {', '.join(LOADS)}.")
        if self.safety is not None and not 1.0 <= self.safety <= 20.0:
            raise AirquillError(f"A safety factor is 1 to 20, not {self.safety:g}.")
        if not -500.0 <= self.altitude_m <= 6000.0:
            raise AirquillError(f"An altitude is -500 to 6000 m, not {self.altitude_m:g}.")

    @cached_property
    def ambient_pa(self) -> float:
        return ambient_pa(self.altitude_m)

    def safety_of(self, package: Package) -> float:
        """The safety factor: as said, else 4 vertical, 2 rough, 1.5 smooth (sources in pneumatics/part.py)."""
        if self.safety is not None:
            return self.safety
        if self.load == "vertical":
            return SAFETY_VERTICAL
        return SAFETY_ROUGH if package.rough else SAFETY_SMOOTH

    def held_kpa(self, gauge: int, rough: bool, duty: float = 1.0) -> float:
        """Vacuum under a part on a needle's rim once it is steady, pump at `duty` (0 to 1), kPa.

        From the air model, with a worst-case gap under the rim; the part covers the bore.
        """
        key = (gauge, rough, duty)
        if key not in self._held:
            self._held[key] = self._settle(gauge, rough, duty)
        return self._held[key]

    def _settle(self, gauge: int, rough: bool, duty: float) -> float:
        needle = self.needle(gauge)
        share = seal_share(needle, COVERING, WORST_GAP * (ROUGH_GAP_UM if rough else SMOOTH_GAP_UM))
        air = self.air(self.ambient_pa)
        air.set_needle(needle)
        air.tip_share, air.valve_drive, air.pump_duty = share, 1.0, 1.0
        for _ in range(5):  # the kick that starts the pump
            air.step(STEP_S)
        air.pump_duty = duty
        last = -1.0
        for _ in range(MOST_STEPS):
            air.step(STEP_S)
            if abs(air.pen_kpa - last) < SETTLED_KPA:
                break
            last = air.pen_kpa
        return air.pen_kpa * (1.0 - share * share)

    def needed_kpa(self, package: Package, gauge: int) -> float:
        """Vacuum that holds a package on a needle in the load case, with the safety factor, kPa."""
        bore = SIZES_MM[gauge][1]
        return needed_vacuum_kpa(package.mass_mg, bore, self.load, NORMAL_ACCEL, FRICTION, self.safety_of(package))

    def takes(self, package: Package) -> tuple[int, ...]:
        """Gauges at hand that take a package, coarsest first: rim on its top, nothing swallowed, held."""
        if package.top != "flat" or package.pick != "needle":
            return ()
        part = Part(package.length_mm, package.width_mm, package.height_mm, package.mass_mg)
        return tuple(
            gauge
            for gauge in sorted(set(self.gauges))
            if fits(Needle(gauge), part)
            and RESERVE * self.needed_kpa(package, gauge) <= self.held_kpa(gauge, package.rough)
        )

    def cup_mm(self, package: Package) -> float | None:
        """Smallest cup that holds a package which no needle takes, in steps of 0.5 mm; None where tweezers must.

        Its vacuum is taken as that of the widest needle at hand with a rough rim.
        """
        if package.pick == "tweezers" or (package.top != "flat" and package.pick != "cup"):
            return None
        safety = self.safety_of(package)
        force = needed_force_mn(package.mass_mg, self.load, NORMAL_ACCEL, FRICTION, safety)
        vacuum = self.held_kpa(min(self.gauges), True)
        diameter = ceil(2.0 * sqrt(4.0 * force / (pi * vacuum))) / 2.0
        diameter = max(diameter, 2.0)
        return diameter if diameter <= min(CUP_SHARE * package.width_mm, LARGEST_CUP_MM) else None
