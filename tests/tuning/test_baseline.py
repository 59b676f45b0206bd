"""The line in which a unit keeps the figures it was accepted with."""

from __future__ import annotations

import pytest

from airquill.link.catalogue import SETTINGS
from airquill.tuning.baseline import SETTING, Baseline

ACCEPTED = Baseline(
    "2026-11-25",
    22,
    {
        "sealed_kpa": 61.2,
        "open_kpa": 47.9,
        "pull_down_s": 0.213,
        "decay_kpa_s": 0.031,
        "vent_ms": 45.0,
        "let_go_ms": 61.0,
    },
)


def test_there_and_back_within_what_a_unit_keeps() -> None:
    text = ACCEPTED.text()
    assert Baseline.of_text(text) == ACCEPTED
    assert len(text) <= next(int(entry.highest) for entry in SETTINGS if entry.path == SETTING)


@pytest.mark.parametrize(
    ("value", "kept"), [(0.0, 0.0), (61.234, 61.2), (0.00004, 0.0), (-0.0314, -0.0314), (1234.5, 1234.0)]
)
def test_three_digits_are_kept(value: float, kept: float) -> None:
    line = Baseline("2026-11-25", 22, {"open_kpa": value}).text()
    found = Baseline.of_text(line)
    assert found is not None
    assert found.figures["open_kpa"] == pytest.approx(kept, abs=1e-9)


@pytest.mark.parametrize(
    "text", ["", "never", "2026-11-25 22G", "2026-11-25 22G <b>=1", "2026-11-25 22G open_kpa=nan", "22G open_kpa=1"]
)
def test_any_other_text_is_no_baseline(text: str) -> None:
    assert Baseline.of_text(text) is None
