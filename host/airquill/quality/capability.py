"""How well a figure sits within its limits, how sure that is, and limits out of measured good units.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6 (capability), 7.2.4.1 (proportions), 7.2.6.3 (tolerance
intervals).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

CONFIDENCE = 0.95
FEWEST_TO_PROPOSE = 30


@dataclass(frozen=True)
class Share:
    """A share of units with its confidence interval, each from 0 to 1."""

    good: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float | None:
        """None where nothing was counted."""
        return self.good / self.of if self.of else None


def share(good: int, of: int, confidence: float = CONFIDENCE) -> Share:
    """Good ones of so many, with the exact two-sided interval of Clopper and Pearson (e-Handbook 7.2.4.1).

    ValueError when there are more good ones than units.
    """
    if not 0 <= good <= of:
        raise ValueError("more good ones than units")
    if of == 0:
        return Share(0, 0, 0.0, 1.0)
    found = stats.binomtest(good, of).proportion_ci(confidence, method="exact")
    return Share(good, of, float(found.low), float(found.high))


@dataclass(frozen=True)
class Capability:
    """A figure's spread against its limits, of single units: `deviation` is the sample standard deviation.

    `cp` needs both limits; `cpk` is towards the nearer one. Bounds are two-sided intervals of `confidence`; `cpk_floor`
    is the one-sided lower bound, which is the one to promise.
    """

    n: int
    mean: float
    deviation: float
    cp: float | None
    cp_low: float | None
    cp_high: float | None
    cpk: float | None
    cpk_low: float | None
    cpk_high: float | None
    cpk_floor: float | None
    confidence: float = CONFIDENCE


def capability(
    values: Sequence[float], low: float | None, high: float | None, confidence: float = CONFIDENCE
) -> Capability:
    """Cp and Cpk of values with limits (e-Handbook 6.1.6). Both are None where the values do not spread.

    Cp's interval is exact for normal values, by chi square; Cpk's is the normal approximation of the same page.
    ValueError for fewer than two values.
    """
    if len(values) < 2:
        raise ValueError("a spread needs two values")
    n, mean, deviation = len(values), float(np.mean(values)), float(np.std(values, ddof=1))
    # A mean outside its limits makes Cpk negative.
    sides = [mean - low] if low is not None else []
    sides += [high - mean] if high is not None else []
    if not sides or deviation <= 1e-12 * max(abs(mean), 1e-9):
        return Capability(n, mean, deviation, None, None, None, None, None, None, None, confidence)
    cpk = min(sides) / (3 * deviation)
    error = float(np.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1))))
    two, one = float(stats.norm.ppf((1 + confidence) / 2)), float(stats.norm.ppf(confidence))
    cp = cp_low = cp_high = None
    if low is not None and high is not None:
        cp = (high - low) / (6 * deviation)
        cp_low, cp_high = (
            cp * float(np.sqrt(stats.chi2.ppf(tail, n - 1) / (n - 1)))
            for tail in ((1 - confidence) / 2, (1 + confidence) / 2)
        )
    return Capability(
        n,
        mean,
        deviation,
        cp,
        cp_low,
        cp_high,
        cpk,
        cpk - two * error,
        cpk + two * error,
        cpk - one * error,
        confidence,
    )


def tolerance_factor(n: int, cover: float, confidence: float, sides: int) -> float:
    """How many standard deviations from the mean of n normal values cover a share of all units, with that confidence.

    Two sides: Howe's approximation; one side: exact, by the non-central t distribution (both e-Handbook 7.2.6.3).
    """
    if sides == 1:
        root = np.sqrt(n)
        return float(stats.nct.ppf(confidence, n - 1, stats.norm.ppf(cover) * root) / root)
    z = stats.norm.ppf((1 + cover) / 2)
    return float(z * np.sqrt((n - 1) * (1 + 1 / n) / stats.chi2.ppf(1 - confidence, n - 1)))


@dataclass(frozen=True)
class Proposal:
    """Limits out of good units. `normal` is whether the values may be taken for normal (Shapiro and Wilk, p over 0.05);
    where they may not, look at the chart before using the limits."""

    n: int
    low: float | None
    high: float | None
    factor: float
    normal: bool


def propose(
    values: Sequence[float], lower: bool, upper: bool, cover: float = 0.99, confidence: float = CONFIDENCE
) -> Proposal:
    """Limits between which a share `cover` of units like these lies, with that confidence.

    ValueError for fewer than 30, which is common practice, no source.
    """
    if len(values) < FEWEST_TO_PROPOSE:
        raise ValueError(f"limits need {FEWEST_TO_PROPOSE} good units")
    n, mean, deviation = len(values), float(np.mean(values)), float(np.std(values, ddof=1))
    factor = tolerance_factor(n, cover, confidence, 2 if lower and upper else 1)
    normal = deviation > 0 and float(stats.shapiro(values).pvalue) > 0.05
    return Proposal(
        n, mean - factor * deviation if lower else None, mean + factor * deviation if upper else None, factor, normal
    )
