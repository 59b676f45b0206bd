"""Units as they come out of a small workshop: parts within their tolerances, and the day on which one is measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from airquill.pneumatics.air import TIGHT_LEAK, Air
from airquill.pneumatics.ambient import SEA_LEVEL_PA
from airquill.pneumatics.needles import Needle

# Standard deviations as shares of the nominal value. Pumps of one lot differ by 10 to 20 % (from memory), which is
# taken as twice the deviation; the rest is chosen.
FLOW = 0.06
END = 0.03
BORE = 0.02
HOSE_LENGTH = 0.05
HOSE_BORE = 0.02
FILTER = 0.15
VOLUME = 0.1
VALVE = 0.07
LEAK_LOG = 0.5
SPAN = 0.007
ZERO_KPA = 0.15
VOLTS = 0.15  # of 12 V; adapters are sold with 5 % (common practice, no source)

# From one day to another, chosen: weather by ISO 2533's sea level, a laboratory's supply, a workshop's temperature.
WEATHER_PA = 800.0
SUPPLY_V = 0.05
TEMP_K = 3.0


@dataclass(frozen=True)
class Make:
    """How one unit differs from the nominal one: shares of 1, and its sensor's error."""

    flow: float = 1.0
    end: float = 1.0
    bore: float = 1.0
    hose_length: float = 1.0
    hose_bore: float = 1.0
    filter: float = 1.0
    volume: float = 1.0
    valve: float = 1.0
    leak: float = 1.0
    span: float = 1.0
    zero_kpa: float = 0.0
    supply_v: float = 12.0
    curvature: float = 0.0

    @classmethod
    def drawn(cls, draw: np.random.Generator, curvature: float = 0.0) -> Make:
        """A unit within tolerances."""
        return cls(
            flow=_near(draw, FLOW),
            end=_near(draw, END),
            bore=_near(draw, BORE),
            hose_length=_near(draw, HOSE_LENGTH),
            hose_bore=_near(draw, HOSE_BORE),
            filter=_near(draw, FILTER),
            volume=_near(draw, VOLUME),
            valve=_near(draw, VALVE),
            leak=float(np.exp(LEAK_LOG * draw.standard_normal())),
            span=_near(draw, SPAN),
            zero_kpa=float(ZERO_KPA * draw.standard_normal()),
            supply_v=float(12.0 + VOLTS * draw.standard_normal()),
            curvature=curvature,
        )

    def fit(self, air: Air, gauge: int) -> None:
        """Give an air path of nominal parts these ones, and a needle of that gauge with this bore."""
        nominal = Air()
        pump, valve = air.pump, air.valve
        pump.free_flow_lpm = nominal.pump.free_flow_lpm * self.flow
        pump.end_kpa = nominal.pump.end_kpa * self.end
        pump.curvature = self.curvature
        valve.c_dm3_s_bar = nominal.valve.c_dm3_s_bar * self.valve
        air.hose_length_mm = nominal.hose_length_mm * self.hose_length
        air.hose_bore_mm = nominal.hose_bore_mm * self.hose_bore
        air.filter_kpa = nominal.filter_kpa * self.filter
        air.pen_m3 = nominal.pen_m3 * self.volume
        air.line_m3 = nominal.line_m3 * self.volume
        air.pump_m3 = nominal.pump_m3 * self.volume
        air.leak = TIGHT_LEAK * self.leak
        needle = Needle(gauge)
        air.set_needle(Needle(gauge, bore_mm=needle.bore_mm * self.bore))


@dataclass(frozen=True)
class Day:
    """What differs from one checkup of a unit to the next."""

    weather_pa: float = 0.0
    more_v: float = 0.0
    temp_c: float = 20.0

    @classmethod
    def drawn(cls, draw: np.random.Generator) -> Day:
        weather, supply, temp = draw.standard_normal(3)
        return cls(float(weather * WEATHER_PA), float(supply * SUPPLY_V), float(20.0 + temp * TEMP_K))

    def come(self, air: Air, make: Make) -> None:
        """Let it be this day around the air path of a unit of that make, at sea level."""
        air.ambient_pa = SEA_LEVEL_PA + self.weather_pa
        air.supply_volts = make.supply_v + self.more_v
        air.temp_c = self.temp_c
        air.refresh()


def _near(draw: np.random.Generator, spread: float) -> float:
    return float(np.clip(1.0 + spread * draw.standard_normal(), 1.0 - 4 * spread, 1.0 + 4 * spread))
