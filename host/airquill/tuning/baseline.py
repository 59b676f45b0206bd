"""What a unit was like when it was accepted, as the unit itself keeps it: one line of text in `unit.baseline`."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

SETTING = "unit.baseline"
_LINE = re.compile(r"(\d{4}-\d\d-\d\d) (\d\d)G((?: [a-z_]{1,24}=-?\d{1,7}(?:\.\d{1,4})?){1,12})")


@dataclass(frozen=True)
class Baseline:
    """Figures of an accepted unit by name, units as in the name (kPa as at sea level), with the needle they were
    measured with and the day, as YYYY-MM-DD."""

    day: str
    needle_gauge: int
    figures: dict[str, float]

    def text(self) -> str:
        """The line: `2026-11-25 22G sealed_kpa=61.2 pull_down_s=0.213`. Three significant digits."""
        return " ".join([self.day, f"{self.needle_gauge}G", *(f"{k}={_short(v)}" for k, v in self.figures.items())])

    @classmethod
    def of_text(cls, text: str) -> Baseline | None:
        """The baseline in a unit's line; None when there is none, or the line is not one of ours."""
        found = _LINE.fullmatch(text)
        if found is None:
            return None
        pairs = (pair.split("=") for pair in found[3].split())
        return cls(found[1], int(found[2]), {name: float(value) for name, value in pairs})


def _short(value: float) -> str:
    digits = 2 - math.floor(math.log10(abs(value))) if value else 0
    text = f"{value:.{min(max(digits, 0), 4)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
