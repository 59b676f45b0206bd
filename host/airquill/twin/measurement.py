"""What tuning measured of a unit: steady levels, and recordings of how the vacuum comes and goes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

Source = Literal["sensor", "rig", "gauge"]
Kind = Literal["pull-down", "vent", "decay"]
PULL_DOWN: Final = "pull-down"
VENT: Final = "vent"
DECAY: Final = "decay"
KINDS: tuple[Kind, ...] = (PULL_DOWN, VENT, DECAY)

# A unit looks at its sensor every 4 ms and sends the last it saw: a sample is 0 to 4 ms old, each age as likely.
SENSOR_AGE_S = 0.002
AGE_SPREAD_S = 0.0012


@dataclass(frozen=True)
class Level:
    """A steady vacuum in kPa with its standard error, at a pump duty of 0 to 1. `heat_k`: the pump's case above
    ambient, by how long it ran."""

    needle: int
    sealed: bool
    duty: float
    kpa: float
    error_kpa: float
    heat_k: float = 0.0


@dataclass(frozen=True)
class Recording:
    """Vacuum over time with the tip sealed and the pump at full duty before; time zero is the command.

    Pull-down: the pump idled at full duty, the tip at ambient, then the valve joins them. Vent: the valve lets go.
    Decay: the pump stops, the valve stays.
    """

    kind: Kind
    at_s: tuple[float, ...]
    kpa: tuple[float, ...]
    heat_k: float = 0.0


@dataclass
class Measurement:
    """All of one unit. `noise_kpa` is the standard deviation of one sample; `source` is sensor, rig or gauge."""

    source: Source
    noise_kpa: float
    ambient_kpa: float = 101.325
    supply_v: float = 12.0
    rest_kpa: float = 0.0
    rest_error_kpa: float = 0.1
    levels: list[Level] = field(default_factory=list)
    recordings: list[Recording] = field(default_factory=list)
    runs_pct: float | None = None
    """Least duty at which the pump ran on."""
    stalls_pct: float | None = None
    """Highest duty at which it stalled."""
    starts_pct: float | None = None
    """Least duty at which the standing pump started without a kick."""
    stays_pct: float | None = None
    """Highest duty at which it stayed."""
    kick_ms: int | None = None
    """Shortest kick at full duty after which it ran on."""

    @property
    def age_s(self) -> float:
        """Mean age of a recorded sample."""
        return SENSOR_AGE_S if self.source == "sensor" else 0.0

    @property
    def needles(self) -> list[int]:
        """Gauges measured, coarsest first."""
        return sorted({level.needle for level in self.levels})
