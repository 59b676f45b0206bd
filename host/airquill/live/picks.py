"""Picks found in what a unit says, with the figures of each. Vacuum in kPa below ambient as read, times in s.

A hand decides when the tip meets the part, so the time from the pedal to a level is the hand's as much as the air's.
The rise is therefore taken from half of the level that is reached to nine tenths of it, where the tip is sealed as a
rule, and left out where its shape shows that it was not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import log
from statistics import median
from typing import Any

from airquill.report.trace import Trace
from airquill.tuning.crossing import LEVEL_S, falls_to, level, rises_to

VENTED_KPA = 5.0
"""Where a part is let go of, as the acceptance check has it."""
PULL_DOWN_KPA = 40.0
"""Up to where pull-down is counted at sea level, as the acceptance check has it."""
VENT_FROM_KPA = 50.0

_LEVEL_AFTER_S = 0.8  # a shorter pick is still rising at its end
_STEADY_KPA = 1.0
_LOW, _MIDDLE, _HIGH = 0.5, 0.7, 0.9
# Time from low to middle over time from middle to high: 0.46 for a straight pump curve, 0.26 to 0.53 for the most
# bulged ones (integrals of 1 / ((1 - y)(1 + k y)), k from -0.9 to 1). Outside, the tip was sealed somewhere on the way.
_LEAST_SHAPE, _MOST_SHAPE = 0.18, 0.75
_LONGEST_GAP_S = 0.045  # two samples further apart say nothing about the moment between them
_AFTER_S = 0.6
_BEFORE_S = 0.3


@dataclass(frozen=True)
class Pick:
    """One pick: from vacuum on to the vent. A figure is None where the pick does not show it."""

    number: int
    at_s: float
    on_s: float
    """How long vacuum was on."""
    preset: int
    strength_pct: float
    from_standstill: bool
    outcome: str
    """released, missed, lost, or empty where the unit does not tell."""
    level_kpa: float | None = None
    rise_s: float | None = None
    """From half of the level to nine tenths of it."""
    let_go_ms: float | None = None
    """From the release to 5 kPa."""
    vent_ms: float | None = None
    """From 50 to 5 kPa; None below."""

    def pull_down_s(self, to_kpa: float = PULL_DOWN_KPA) -> float | None:
        """Time to a vacuum with the tip sealed from the start: worked out from level and rise as an exponential
        approach, which a straight pump curve gives. None where the level is not clearly above it."""
        if self.level_kpa is None or self.rise_s is None or self.level_kpa < 1.05 * to_kpa:
            return None
        time_constant_s = self.rise_s / log((1 - _LOW) / (1 - _HIGH))
        return time_constant_s * log(self.level_kpa / (self.level_kpa - to_kpa))

    def as_json(self) -> dict[str, Any]:
        rounded = {name: None if value is None else round(value, 4) for name, value in self._figures().items()}
        return {
            "number": self.number,
            "at_s": self.at_s,
            "on_s": round(self.on_s, 3),
            "preset": self.preset,
            "strength_pct": self.strength_pct,
            "from_standstill": self.from_standstill,
            "outcome": self.outcome,
            **rounded,
        }

    def _figures(self) -> dict[str, float | None]:
        return {
            "level_kpa": self.level_kpa,
            "rise_s": self.rise_s,
            "pull_down_s": self.pull_down_s(),
            "let_go_ms": self.let_go_ms,
            "vent_ms": self.vent_ms,
        }


@dataclass
class PickFinder:
    """Takes lines of a recording one by one (see recording.py) and gives each pick when it is over."""

    preset: int = 0
    strength_pct: float = 0.0
    found: int = 0
    state: str = ""
    _trace: Trace = field(default_factory=Trace)
    _on_s: float | None = None
    _off_s: float | None = None
    _grips: list[str] = field(default_factory=list)
    _duty: float = 0.0
    _standstill: bool = False
    _as_begun: tuple[int, float] = (0, 0.0)

    def take(self, line: Mapping[str, Any]) -> Pick | None:
        """Take a line; the pick that is over with it, if one is."""
        at_s = float(line["at_s"])
        done = self._end_at(at_s)
        event = line.get("event")
        if event == "preset":
            self.preset, self.strength_pct = int(line["number"]), float(line["strength_pct"])
        elif event == "grip":
            self._grips.append(str(line["what"]))
        elif event == "cycle":
            done = self._move(at_s, str(line["state"])) or done
        elif event is None:
            self._sample(at_s, line)
        return done

    def finish(self) -> Pick | None:
        """The pick that was let go of at the end of a recording, if one was."""
        return self._end_at(float("inf"))

    def _sample(self, at_s: float, line: Mapping[str, Any]) -> None:
        kpa = line.get("vacuum.kpa")
        if kpa is not None:
            self._trace.at_s.append(at_s)
            self._trace.kpa.append(float(kpa))
            if self._on_s is None:
                self._forget_before(at_s - _BEFORE_S)
        if line.get("pump.duty_pct") is not None:
            self._duty = float(line["pump.duty_pct"])
        if self._on_s is None and line.get("preset.strength_pct") is not None:
            self.strength_pct = float(line["preset.strength_pct"])

    def _forget_before(self, at_s: float) -> None:
        while self._trace.at_s and self._trace.at_s[0] < at_s:
            del self._trace.at_s[0], self._trace.kpa[0]

    def _move(self, at_s: float, state: str) -> Pick | None:
        done = None
        if state == "picking" and self.state != "holding":  # back from holding, the part was lost and vacuum stays on
            done = self._end_at(float("inf"))
            self._on_s, self._off_s, self._grips = at_s, None, []
            self._standstill = self._duty == 0.0
            self._as_begun = (self.preset, self.strength_pct)
        elif state == "releasing" and self._on_s is not None:
            self._off_s = at_s
        elif state == "stopped":
            self._on_s = self._off_s = None  # a fault ended it: no pick to judge the air by
        self.state = state
        return done

    def _end_at(self, at_s: float) -> Pick | None:
        if self._on_s is None or self._off_s is None or at_s < self._off_s + _AFTER_S:
            return None
        self.found += 1
        pick = _measured(
            self._trace,
            self._on_s,
            self._off_s,
            Pick(
                self.found,
                self._on_s,
                self._off_s - self._on_s,
                *self._as_begun,
                self._standstill,
                _outcome(self._grips),
            ),
        )
        self._on_s = self._off_s = None
        return pick


def _outcome(grips: list[str]) -> str:
    return next((what for what in ("released", "lost", "missed") if what in grips), "")


def _measured(trace: Trace, on_s: float, off_s: float, pick: Pick) -> Pick:
    reached = _level(trace, on_s, off_s)
    if reached is None or reached < VENTED_KPA:
        return pick
    vented = _timed(trace, falls_to(trace, VENTED_KPA, off_s))
    begun = _timed(trace, falls_to(trace, VENT_FROM_KPA, off_s)) if reached > VENT_FROM_KPA + _STEADY_KPA else None
    return Pick(
        pick.number,
        pick.at_s,
        pick.on_s,
        pick.preset,
        pick.strength_pct,
        pick.from_standstill,
        pick.outcome,
        reached,
        _rise(trace, on_s, off_s, reached),
        None if vented is None else (vented - off_s) * 1000,
        None if vented is None or begun is None else (vented - begun) * 1000,
    )


def _level(trace: Trace, on_s: float, off_s: float) -> float | None:
    """The level before the release; None where it is still moving, or too little is known."""
    if off_s - on_s < _LEVEL_AFTER_S:
        return None
    half_s = off_s - LEVEL_S / 2
    parts = ([], [])  # type: tuple[list[float], list[float]]
    for at, kpa in zip(trace.at_s, trace.kpa, strict=True):
        if off_s - LEVEL_S <= at <= off_s:
            parts[at >= half_s].append(kpa)
    if not all(parts) or abs(median(parts[0]) - median(parts[1])) > _STEADY_KPA:
        return None
    return level(trace, off_s)


def _rise(trace: Trace, on_s: float, off_s: float, reached: float) -> float | None:
    high = _timed(trace, rises_to(trace, _HIGH * reached, on_s))
    middle = _timed(trace, rises_to(trace, _MIDDLE * reached, on_s))
    low = _timed(trace, rises_to(trace, _LOW * reached, on_s))
    if high is None or middle is None or low is None or high >= off_s or high <= middle:
        return None
    return high - low if _LEAST_SHAPE <= (middle - low) / (high - middle) <= _MOST_SHAPE else None


def _timed(trace: Trace, at_s: float | None) -> float | None:
    """A crossing, where the samples on either side are near enough to tell when it was."""
    if at_s is None:
        return None
    before = max((at for at in trace.at_s if at <= at_s), default=None)
    after = min((at for at in trace.at_s if at >= at_s), default=None)
    return at_s if before is not None and after is not None and after - before <= _LONGEST_GAP_S else None
