"""A checkup's figures as a row of numbers in which a change is as large as its share, whatever the figure's unit."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from airquill.tuning.sequence import AFTER_S, PICK_S

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Feature:
    """One figure: `turn` makes it a feature. `never` is its value where what it times did not happen; None there means
    that nothing was measured."""

    figure: str
    title: str
    unit: str
    turn: Callable[[float], float]
    never: float | None = None


def _level(kpa: float) -> float:
    """A share for levels, a difference near zero."""
    return math.asinh(kpa / 2.0)


def _small(value: float) -> float:
    return math.asinh(value / 0.5)


def _time(value: float) -> float:
    return math.log(max(value, 1e-3))


def _noise(kpa: float) -> float:
    return math.log(max(kpa, 0.0) + 0.02)


def _plain(value: float) -> float:
    return value


_AFTER_MS = AFTER_S * 1000

FEATURES = (
    Feature("rest_kpa", "at rest", "kPa", _plain),
    Feature("noise_kpa", "sensor's noise", "kPa", _noise),
    Feature("supply_v", "supply at rest", "V", _plain),
    Feature("supply_on_v", "supply, pump on", "V", _plain),
    Feature("sealed_kpa", "tip closed, full strength", "kPa", _level),
    Feature("sealed_part_kpa", "tip closed, 60 %", "kPa", _level),
    Feature("open_kpa", "tip open, full strength", "kPa", _level),
    Feature("open_part_kpa", "tip open, 60 %", "kPa", _level),
    Feature("pull_down_s", "to 40 kPa", "s", _time, PICK_S),
    Feature("pull_63_s", "to 63 % of its level", "s", _time, PICK_S),
    Feature("let_go_ms", "release to 5 kPa", "ms", _time, _AFTER_MS),
    Feature("fall_37_ms", "release to 37 %", "ms", _time, _AFTER_MS),
    Feature("vented_kpa", "0.6 s after the release", "kPa", _small),
    Feature("decay_kpa_s", "decay", "kPa/s", _small),
    Feature("decay_again_kpa_s", "decay, closed anew", "kPa/s", _small),
)
NAMES = tuple(feature.figure for feature in FEATURES)
COUNT = len(FEATURES)


def features_of(figures: Mapping[str, float | None], measured: bool) -> Floats:
    """The row of a checkup's figures; nan where nothing was measured. With `measured`, the air was: what has no time
    then never happened."""
    row = np.full(COUNT, np.nan)
    for place, feature in enumerate(FEATURES):
        value = figures.get(feature.figure)
        if value is None and measured:
            value = feature.never
        if value is not None:
            row[place] = feature.turn(value)
    return row


def rows_of(several: Sequence[Mapping[str, float | None]]) -> Floats:
    """Rows of several whole checkups."""
    return np.array([features_of(figures, measured=True) for figures in several])
