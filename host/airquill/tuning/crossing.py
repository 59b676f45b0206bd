"""Levels and crossings of traces. Times in s, vacuum in kPa below ambient."""

from __future__ import annotations

from statistics import median

from airquill.report.trace import Trace

LEVEL_S = 0.5


def level(trace: Trace, end_s: float) -> float | None:
    """Median of the last half second before `end_s`; None without samples there."""
    kpa = [value for at, value in zip(trace.at_s, trace.kpa, strict=True) if end_s - LEVEL_S <= at <= end_s]
    return median(kpa) if kpa else None


def rises_to(trace: Trace, kpa: float, from_s: float = 0.0) -> float | None:
    """When the vacuum first reaches a level after `from_s`, in a straight line between samples; None when never."""
    return _crossing(trace, from_s, kpa, 1.0)


def falls_to(trace: Trace, kpa: float, from_s: float) -> float | None:
    """When the vacuum first falls to a level after `from_s`, in a straight line between samples; None when never."""
    return _crossing(trace, from_s, kpa, -1.0)


def _crossing(trace: Trace, from_s: float, kpa: float, sign: float) -> float | None:
    before: tuple[float, float] | None = None
    for at, value in zip(trace.at_s, trace.kpa, strict=True):
        if at < from_s:
            continue
        if sign * value >= sign * kpa:
            if before is None or value == before[1]:
                return at
            return before[0] + (at - before[0]) * (kpa - before[1]) / (value - before[1])
        before = (at, value)
    return None
