"""What a measured unit does with a preset, computed from its twin: levels, and how fast it picks and lets go."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from airquill.planning.choice import COVERING, ROUGH_GAP_UM, WORST_GAP
from airquill.pneumatics.air import Air
from airquill.pneumatics.part import seal_share
from airquill.tuning import expected
from airquill.twin.file import Twin
from airquill.twin.measurement import VENT, Level

LET_GO_KPA = 1.0
"""A part has let go by then; chosen."""
STEP_S = 0.001
LONGEST_S = 5.0
PULLED_SHARE = 0.9


@dataclass(frozen=True)
class Prospect:
    """One needle at one strength. Levels are readings in kPa; `part_kpa` with a rough part on the rim, at its worst.

    `pick_s`: from a standing pump until the vacuum under that part holds it, None when it never does.
    """

    gauge: int
    strength_pct: float
    open_kpa: float
    part_kpa: float
    sealed_kpa: float
    pick_s: float | None

    @property
    def gap_kpa(self) -> float:
        """Between open and sealed."""
        return self.sealed_kpa - self.open_kpa

    @property
    def part_share(self) -> float:
        """How far towards sealed the worst part brings the vacuum, 0 to 1."""
        return (self.part_kpa - self.open_kpa) / self.gap_kpa if self.gap_kpa > 0.0 else 0.0


class Outlook:
    """Prospects of one twin."""

    def __init__(self, twin: Twin) -> None:
        self._twin = twin
        self._measured = twin.measurement()
        self._values = {name: number.value for name, number in twin.parameters.items()}
        self._values |= {f"needle_{gauge}": number.value for gauge, number in twin.needles.items()}

    def of(self, gauge: int, strength_pct: float, kick_ms: float, needed_kpa: float) -> Prospect:
        """A needle at a strength, the pump started by a kick at full duty."""
        duty = strength_pct / 100.0
        share = seal_share(self._twin.needle(gauge), COVERING, WORST_GAP * ROUGH_GAP_UM)
        airs = [self._ready(gauge, tip, duty) for tip in (1.0, share, 0.0)]
        many = expected.settle(airs, [20.0, 30.0, 40.0])
        open_kpa, part_kpa, sealed_kpa = (float(kpa) + self._values["zero_kpa"] for kpa in many.pen_kpa)
        pick_s = self._pick_s(gauge, share, duty, kick_ms / 1000.0, needed_kpa, float(many.pen_kpa[1]))
        return Prospect(gauge, strength_pct, open_kpa, part_kpa, sealed_kpa, pick_s)

    def _ready(self, gauge: int, tip_share: float, duty: float) -> Air:
        air = expected.ready(self._values, gauge, False, duty, 0.0, self._measured)
        air.tip_share = tip_share
        return air

    def _pick_s(
        self, gauge: int, share: float, duty: float, kick_s: float, needed_kpa: float, steady_kpa: float
    ) -> float | None:
        air = self._twin.air()(self._measured.ambient_kpa * 1000.0)
        air.set_needle(self._twin.needle(gauge))
        air.supply_volts = self._measured.supply_v
        air.tip_share, air.valve_drive = share, 1.0
        # by the drop between rim and needle the part feels less than the pen has
        goal = max(needed_kpa / max(1.0 - share * share, 0.01), PULLED_SHARE * steady_kpa)
        at_s = 0.0
        while at_s < LONGEST_S:
            air.pump_duty = 1.0 if at_s < kick_s else duty
            air.step(STEP_S)
            at_s += STEP_S
            if air.pen_kpa >= goal:
                return at_s
        return None

    def let_go_ms(self) -> float | None:
        """From the command until a sealed tip is at LET_GO_KPA, the valve's delay included; None without recordings."""
        if not any(one.kind == VENT for one in self._measured.recordings):
            return None
        full = max((one.kpa for one in self._measured.levels if one.sealed), default=60.0)
        row = expected.traces([self._values], full, 0.0, self._measured)[VENT][0] - self._values["zero_kpa"]
        passed = next((at for at, kpa in zip(expected.TIMES_S, row, strict=True) if kpa <= LET_GO_KPA), inf)
        return None if passed == inf else 1000.0 * float(passed) + max(self._values["off_ms"], 0.0)

    def curve(self, gauge: int, sealed: bool, duties: list[float]) -> list[float]:
        """Levels as they would be read, over duties of 0 to 1."""
        wanted = [Level(gauge, sealed, duty, 30.0, 0.1) for duty in duties]
        return [float(kpa) for kpa in expected.levels([self._values], wanted, self._measured)[0]]

    def traces(self) -> dict[str, list[float]]:
        """The fitted recordings by kind, at expected.TIMES_S after the valve moved."""
        full = max((one.kpa for one in self._measured.levels if one.sealed), default=60.0)
        rows = expected.traces([self._values], full, 0.0, self._measured)
        return {kind: [float(kpa) for kpa in found[0]] for kind, found in rows.items()}
