"""A person who reads a gauge: steady levels, typed in."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from math import isfinite

from airquill.errors import AirquillError
from airquill.tuning.readers import TapeDeck
from airquill.twin.measurement import Source

READING_ERROR_KPA = 0.8
"""Standard error of a reading: a gauge of 100 kPa and accuracy class 1.6 (EN 837-1) is within 1.6 kPa."""
MOST_KPA = 101.5
_TRIES = 3


class GaugeReader:
    """`ask` shows a question and gives what was typed, or None where there is nobody to ask any more."""

    source: Source = "gauge"
    follows = False

    def __init__(self, ask: Callable[[str], str | None], tell: Callable[[str], None]) -> None:
        self._ask = ask
        self._tell = tell

    def steady(self, what: str) -> tuple[float, float]:
        """What the gauge shows. AirquillError without an answer, or after three that are none."""
        for _ in range(_TRIES):
            typed = self._ask(f"With {what}: what does the gauge show, in kPa below ambient?")
            if typed is None:
                break
            kpa = read_kpa(typed)
            if kpa is not None:
                return kpa, READING_ERROR_KPA
            self._tell(f"That is no vacuum: type a number of 0 to {MOST_KPA:g}, such as 48.5.")
        raise AirquillError(
            "No reading of the gauge was given, so nothing was tuned and nothing is changed. Type what it shows, or "
            "use a sensor or a rig."
        )

    def rest(self) -> tuple[float, float, float]:
        """A gauge is taken to show 0 at rest, to its accuracy."""
        return 0.0, READING_ERROR_KPA, READING_ERROR_KPA

    def tape(self) -> contextlib.AbstractContextManager[TapeDeck]:
        raise NotImplementedError  # never asked of one that does not follow


def read_kpa(typed: str) -> float | None:
    """The number that was typed, a decimal comma allowed and `kPa` behind it; None when it is no vacuum."""
    text = typed.strip().lower().removesuffix("kpa").strip().replace(",", ".")
    try:
        kpa = float(text)
    except ValueError:
        return None
    # gauges write a vacuum with a minus as often as without
    return abs(kpa) if isfinite(kpa) and abs(kpa) <= MOST_KPA else None
