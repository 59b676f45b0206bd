"""Control chart and trend of a figure over a batch, unit by unit.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (chart of individuals), 6.3.2 (the rules of Western
Electric).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

# d2 for ranges of two values: the expected range of two standard normal values, 2/sqrt(pi).
D2 = 2 / float(np.sqrt(np.pi))
FEWEST_FOR_TREND = 8
_SURE = 0.01  # a chart is looked at often: one false alarm in a hundred figures is enough


@dataclass(frozen=True)
class Chart:
    """A chart of individuals. `alarms` are places in the values, each with the rule that was broken."""

    centre: float
    lower: float
    upper: float
    alarms: list[tuple[int, str]]


def chart(values: Sequence[float]) -> Chart:
    """Limits by the mean moving range of two, and the four rules. ValueError for fewer than two values."""
    if len(values) < 2:
        raise ValueError("a chart needs two values")
    centre = float(np.mean(values))
    sigma = float(np.mean(np.abs(np.diff(values)))) / D2
    return Chart(centre, centre - 3 * sigma, centre + 3 * sigma, _alarms(values, centre, sigma) if sigma else [])


def _alarms(values: Sequence[float], centre: float, sigma: float) -> list[tuple[int, str]]:
    far = (np.asarray(values) - centre) / sigma
    found: dict[int, str] = {}
    rules = (
        (1, 1, 3.0, "beyond 3 sigma"),
        (2, 3, 2.0, "2 of 3 beyond 2 sigma"),
        (4, 5, 1.0, "4 of 5 beyond 1 sigma"),
        (8, 8, 0.0, "8 in a row on one side"),
    )
    for need, window, beyond, name in rules:
        for side in (far, -far):
            out = side > beyond
            for end in range(window - 1, len(far)):
                if out[end] and np.count_nonzero(out[end - window + 1 : end + 1]) >= need:
                    found.setdefault(end, name)
    return sorted(found.items())


@dataclass(frozen=True)
class Trend:
    """How a figure moves from unit to unit: the median slope of all pairs (Theil and Sen), and the chance `p` that no
    trend looks like this (Kendall's tau, which is the test of Mann and Kendall)."""

    per_unit: float
    p: float

    @property
    def there(self) -> bool:
        return self.p < _SURE


def trend(values: Sequence[float]) -> Trend | None:
    """The trend of values in the order they were measured; None for fewer than eight."""
    if len(values) < FEWEST_FOR_TREND:
        return None
    if len(set(values)) == 1:
        return Trend(0.0, 1.0)
    order = np.arange(len(values))
    return Trend(float(stats.theilslopes(values, order).slope), float(stats.kendalltau(order, values).pvalue))
