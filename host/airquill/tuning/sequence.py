"""The checkup's picks, and the figures that follow from their traces: the same for a unit and for computed air.

Times in s or ms as the name says, vacuum in kPa below ambient. `at_sea_level` is what a vacuum is multiplied with to be
as at sea level: a pump reaches the same share of ambient everywhere (ISO 2533 gives ambient).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import fmean

from airquill.report.trace import Trace
from airquill.tuning.crossing import falls_to, level, rises_to

PART_PCT = 60
"""A second strength: what a pump loses there tells friction from wear."""
PICK_S = 1.6
DECAY_S = 1.0
AFTER_S = 0.6
WARM_S = 0.6
"""A pick after each work of the hands, so that all begin with the pump idling and its own side evacuated."""
REST_S = 3.2
REST_SAMPLES_S = 1.0
IDLE_PCT = 40
PULL_KPA = 40.0
VENT_FROM_KPA = 50.0
VENT_TO_KPA = 5.0
RISE_SHARE = 0.632
FALL_SHARE = 0.368
_BEFORE_S = 0.4
_MEAN_S = 0.1
_LEAST_KPA = 2.0


@dataclass(frozen=True)
class Pick:
    """One pick of the checkup: vacuum on at a strength for PICK_S, then off. With `decays` the pump stops after that
    and the valve stays for DECAY_S more."""

    name: str
    sealed: bool
    strength_pct: int
    decays: bool = False

    @property
    def seconds(self) -> float:
        """From vacuum on to vacuum off."""
        return PICK_S + DECAY_S if self.decays else PICK_S


SEALED = Pick("sealed tip", True, 100)
SEALED_PART = Pick(f"sealed tip, {PART_PCT} %", True, PART_PCT)
DECAY = Pick("decay", True, 100, decays=True)
OPEN = Pick("open tip", False, 100)
OPEN_PART = Pick(f"open tip, {PART_PCT} %", False, PART_PCT)
DECAY_AGAIN = Pick("decay, sealed again", True, 100, decays=True)

# The tip is closed twice: a bad seal differs from one time to the next, a leak does not.
SEQUENCE = (SEALED, SEALED_PART, DECAY, OPEN, OPEN_PART, DECAY_AGAIN)

AIR_FIGURES = (
    "sealed_kpa",
    "sealed_part_kpa",
    "open_kpa",
    "open_part_kpa",
    "pull_down_s",
    "pull_63_s",
    "vent_ms",
    "let_go_ms",
    "fall_37_ms",
    "vented_kpa",
    "decay_kpa_s",
    "decay_again_kpa_s",
)


def figures_of(traces: Mapping[str, Trace], at_sea_level: float) -> dict[str, float | None]:
    """Figures by name from the traces of SEQUENCE; None where a trace is missing or does not show it."""
    found: dict[str, float | None] = dict.fromkeys(AIR_FIGURES)
    for figure, pick in (
        ("sealed_kpa", SEALED),
        ("sealed_part_kpa", SEALED_PART),
        ("open_kpa", OPEN),
        ("open_part_kpa", OPEN_PART),
    ):
        if pick.name in traces:
            kpa = level(traces[pick.name], _off_s(traces[pick.name], pick))
            found[figure] = None if kpa is None else kpa * at_sea_level
    for figure, pick in (("decay_kpa_s", DECAY), ("decay_again_kpa_s", DECAY_AGAIN)):
        if pick.name in traces:
            found[figure] = _decay(traces[pick.name], at_sea_level)
    if SEALED.name in traces:
        found |= _moves(traces[SEALED.name], at_sea_level)
    return found


def _off_s(trace: Trace, pick: Pick) -> float:
    """When vacuum went off."""
    at = trace.when("releasing")
    return at if at is not None else pick.seconds


def _decay(trace: Trace, at_sea_level: float) -> float | None:
    before, after = _mean(trace, PICK_S, _BEFORE_S), _mean(trace, PICK_S + DECAY_S, _MEAN_S)
    return None if before is None or after is None else (before - after) * at_sea_level / DECAY_S


def _mean(trace: Trace, end_s: float, width_s: float) -> float | None:
    kpa = [value for at, value in zip(trace.at_s, trace.kpa, strict=True) if end_s - width_s <= at <= end_s]
    return fmean(kpa) if kpa else None


def _moves(trace: Trace, at_sea_level: float) -> dict[str, float | None]:
    """How fast the vacuum comes and goes, from the pick with the tip closed."""
    off_s = _off_s(trace, SEALED)
    top = level(trace, off_s)
    rise = fall = None
    if top is not None and top > _LEAST_KPA:
        rise = rises_to(trace, RISE_SHARE * top)
        fall = falls_to(trace, FALL_SHARE * top, off_s)
    from_kpa, to_kpa = VENT_FROM_KPA / at_sea_level, VENT_TO_KPA / at_sea_level
    begun = falls_to(trace, from_kpa, off_s) if top is not None and top > from_kpa else None
    done = falls_to(trace, to_kpa, off_s)
    vented = _mean(trace, off_s + AFTER_S, _MEAN_S)
    return {
        "pull_down_s": rises_to(trace, PULL_KPA / at_sea_level),
        "pull_63_s": rise,
        "vent_ms": (done - begun) * 1000 if begun is not None and done is not None else None,
        "let_go_ms": None if done is None else (done - off_s) * 1000,
        "fall_37_ms": None if fall is None else (fall - off_s) * 1000,
        "vented_kpa": None if vented is None else vented * at_sea_level,
    }
