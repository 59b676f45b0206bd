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
class Scale:
    """How a figure becomes a feature, and back."""

    turn: Callable[[float], float]
    back: Callable[[Floats], Floats]


@dataclass(frozen=True)
class Feature:
    """One figure. `never` is its value where what it times did not happen; None there means that nothing was
    measured."""

    figure: str
    title: str
    unit: str
    scale: Scale
    never: float | None = None


# A share for levels, a difference near zero.
_LEVEL = Scale(lambda kpa: math.asinh(kpa / 2.0), lambda row: np.sinh(row) * 2.0)
_SMALL = Scale(lambda value: math.asinh(value / 0.5), lambda row: np.sinh(row) * 0.5)
_SECONDS = Scale(lambda value: math.log(max(value, 0.0) + 0.005), lambda row: np.exp(row) - 0.005)
_MS = Scale(lambda value: math.log(max(value, 0.0) + 5.0), lambda row: np.exp(row) - 5.0)
_NOISE = Scale(lambda kpa: math.log(max(kpa, 0.0) + 0.02), lambda row: np.exp(row) - 0.02)
_PLAIN = Scale(lambda value: value, lambda row: row)

_AFTER_MS = AFTER_S * 1000

FEATURES = (
    Feature("rest_kpa", "at rest", "kPa", _PLAIN),
    Feature("noise_kpa", "sensor's noise", "kPa", _NOISE),
    Feature("supply_v", "supply at rest", "V", _PLAIN),
    Feature("supply_on_v", "supply, pump on", "V", _PLAIN),
    Feature("sealed_kpa", "tip closed, full strength", "kPa", _LEVEL),
    Feature("sealed_part_kpa", "tip closed, 60 %", "kPa", _LEVEL),
    Feature("open_kpa", "tip open, full strength", "kPa", _LEVEL),
    Feature("open_part_kpa", "tip open, 60 %", "kPa", _LEVEL),
    Feature("pull_down_s", "to 40 kPa", "s", _SECONDS, PICK_S),
    Feature("pull_63_s", "to 63 % of its level", "s", _SECONDS, PICK_S),
    Feature("let_go_ms", "release to 5 kPa", "ms", _MS, _AFTER_MS),
    Feature("fall_37_ms", "release to 37 %", "ms", _MS, _AFTER_MS),
    Feature("vented_kpa", "0.6 s after the release", "kPa", _SMALL),
    Feature("decay_kpa_s", "decay", "kPa/s", _SMALL),
    Feature("decay_again_kpa_s", "decay, closed anew", "kPa/s", _SMALL),
)
NAMES = tuple(feature.figure for feature in FEATURES)
COUNT = len(FEATURES)


def features_of(figures: Mapping[str, float | None], measured: bool) -> Floats:
    """The row of a checkup's figures; nan where nothing was measured. With `measured` they are a checkup's: what has no
    time in its pick with a closed tip never happened."""
    row = np.full(COUNT, np.nan)
    picked = measured and figures.get("sealed_kpa") is not None
    for place, feature in enumerate(FEATURES):
        value = figures.get(feature.figure)
        if value is None and picked:
            value = feature.never
        if value is not None:
            row[place] = feature.scale.turn(value)
    return row


def rows_of(several: Sequence[Mapping[str, float | None]]) -> Floats:
    """Rows of several whole checkups."""
    return np.array([features_of(figures, measured=True) for figures in several])


def figures_of_row(row: Floats) -> dict[str, float]:
    """The figures of one row."""
    return {
        feature.figure: float(feature.scale.back(row[place : place + 1])[0]) for place, feature in enumerate(FEATURES)
    }
