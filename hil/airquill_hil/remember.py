"""An accepted unit keeps what it was like: its figures, to be compared with later ones, in a setting of its own."""

from __future__ import annotations

from collections.abc import Sequence

from airquill.errors import AirquillError
from airquill.tuning.baseline import SETTING, Baseline
from airquill_hil.bench import Bench
from airquill_hil.limits import Outcome
from airquill_hil.record import CheckRecord

# What changes as a unit ages; kPa as at sea level.
FIGURES = ("sealed_kpa", "open_kpa", "pull_down_s", "decay_kpa_s", "vent_ms", "let_go_ms")


def baseline_of(checks: Sequence[CheckRecord], day: str, needle_gauge: int) -> Baseline | None:
    """The baseline in a run's figures; None where none of them was measured."""
    found = {
        figure.name: float(figure.value)
        for check in checks
        for figure in check.figures
        if figure.name in FIGURES and figure.value is not None and figure.outcome is not Outcome.SKIPPED
    }
    return Baseline(day, needle_gauge, found) if found else None


def remember(bench: Bench, checks: Sequence[CheckRecord], day: str) -> tuple[str, str]:
    """Write the baseline into the unit and save it: the line that the unit keeps, or why it keeps none. Never raises.

    A save writes all that runs, so nothing is written where the unit runs other settings than its saved ones.
    """
    baseline = baseline_of(checks, day, bench.limits.needle_gauge)
    if baseline is None:
        return "", ""
    unit = bench.unit
    try:
        if unit.setting(SETTING) is None:
            return "", "Its firmware has no place for a baseline."
        if unit.get("settings.unsaved")["settings.unsaved"]:
            return "", "It keeps no baseline, because it runs settings that were never saved: save them, or restart it."
        unit.set({SETTING: baseline.text()}, keep=True)
    except AirquillError as error:
        return "", f"It keeps no baseline. {error.sentence}"
    except KeyboardInterrupt:
        return "", "It keeps no baseline, because the run was stopped."
    return baseline.text(), ""
