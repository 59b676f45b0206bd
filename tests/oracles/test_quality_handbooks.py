"""Statistics against worked examples in published handbooks.

e-Handbook: NIST/SEMATECH e-Handbook of Statistical Methods (https://www.itl.nist.gov/div898/handbook/), its figures
from memory. AIAG: Measurement Systems Analysis, 4th edition, chapter III section B, data and results from memory; that
the data give the sums of squares which the manual prints to four decimals says that the memory holds.
"""

from __future__ import annotations

import numpy as np
import pytest

from airquill.quality.capability import capability, propose, share, tolerance_factor
from airquill.quality.chart import chart
from airquill.quality.gauge import Measured, study

# AIAG, table III-B 1: three appraisers, ten parts, three trials.
AIAG = {
    "A": (
        (0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36),
        (0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25),
        (0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31),
    ),
    "B": (
        (0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68),
        (0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62),
        (0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50),
    ),
    "C": (
        (0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49),
        (-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77),
        (-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16),
    ),
}


def aiag() -> list[Measured]:
    return [
        (f"part {part:02}", who, value)
        for who, trials in AIAG.items()
        for trial in trials
        for part, value in enumerate(trial)
    ]


def spread(mean: float, deviation: float, n: int) -> list[float]:
    """n values with exactly this mean and sample standard deviation."""
    steps = np.arange(n, dtype=float)
    return list(mean + (steps - steps.mean()) / steps.std(ddof=1) * deviation)


def test_gauge_study_of_aiag() -> None:
    found = study(aiag())
    sums = {row.name: (row.df, row.ss) for row in found.rows}
    assert sums["operator"] == (2, pytest.approx(3.1673, abs=5e-5))
    assert sums["part"] == (9, pytest.approx(88.3619, abs=5e-5))
    # The interaction, 0.3590 with 18, is pooled with the equipment's 2.7589 with 60: F 0.434, not sure at all.
    assert found.pooled and sums["repeatability"] == (78, pytest.approx(0.3590 + 2.7589, abs=1e-4))
    # Its results: EV 0.199933, AV 0.226838, GRR 0.302373, PV 1.042327, TV 1.085; 27.9 % of TV, ndc 4.
    assert found.repeatability == pytest.approx(0.199933, abs=1e-6)
    assert found.reproducibility == pytest.approx(0.226838, abs=1e-6)
    assert found.measurement == pytest.approx(0.302373, abs=2e-6)
    assert found.part == pytest.approx(1.042327, abs=1e-6)
    assert found.total == pytest.approx(1.0853, abs=5e-5)
    assert found.share_of_total == pytest.approx(0.279, abs=5e-4)
    assert found.categories == 4 and found.word == "usable"


def test_capability_of_the_e_handbook() -> None:
    # 6.1.6: limits 8 and 20, mean 16, deviation 2: Cp 1.0, Cpk 0.6667.
    found = capability(spread(16, 2, 20), 8, 20)
    assert found.cp == pytest.approx(1.0) and found.cpk == pytest.approx(0.6667, abs=5e-5)
    assert found.cpk_low is not None and found.cpk_high is not None and found.cpk is not None
    # 6.1.6: Cpk -+ z sqrt(1/(9n) + Cpk^2/(2(n-1))).
    assert found.cpk_high - found.cpk == pytest.approx(1.959964 * (1 / 180 + 0.6666667**2 / 38) ** 0.5, rel=1e-6)


def test_cpk_of_thirty_units_promises_less_than_it_shows() -> None:
    # By the same formula, one-sided: 1.33 from 30 units is at least 1.03 at 95 %.
    found = capability(spread(10, 1, 30), 10 - 1.33 * 3, None)
    assert found.cpk == pytest.approx(1.33) and found.cp is None
    assert found.cpk_floor == pytest.approx(1.03, abs=0.005)


def test_a_mean_outside_its_limits_has_a_negative_cpk() -> None:
    assert capability(spread(7, 1, 10), 8, 20).cpk == pytest.approx(-1 / 3)
    assert capability(spread(21.5, 1, 10), None, 20).cpk == pytest.approx(-0.5)


def test_share_of_the_e_handbook() -> None:
    # 7.2.4.1: 4 of 20, 90 %: 0.071354 to 0.401029.
    found = share(4, 20, 0.90)
    assert (found.low, found.high) == (pytest.approx(0.071354, abs=1e-6), pytest.approx(0.401029, abs=1e-6))


def test_tolerance_factors_of_the_e_handbook() -> None:
    # 7.2.6.3: 43 values, a share of 0.90, 99 % sure: two sides 2.217, one side 1.8740.
    assert tolerance_factor(43, 0.90, 0.99, 2) == pytest.approx(2.217, abs=5e-4)
    assert tolerance_factor(43, 0.90, 0.99, 1) == pytest.approx(1.8740, abs=5e-5)


def test_chart_of_the_e_handbook() -> None:
    # 6.3.2.2, flow rate: mean 50.81, mean range 1.8778, limits 55.8041 and 45.8159 (there with d2 rounded to 1.128).
    found = chart([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    assert found.centre == pytest.approx(50.81)
    assert (found.upper, found.lower) == (pytest.approx(55.8041, abs=0.002), pytest.approx(45.8159, abs=0.002))
    assert found.alarms == []


@pytest.mark.parametrize(
    ("late", "rule"),
    [
        ([9.0], "beyond 3 sigma"),
        ([4.5, 0.1, 4.5], "2 of 3 beyond 2 sigma"),
        ([2.5, 2.6, 0.1, 2.5, 2.6], "4 of 5 beyond 1 sigma"),
        ([0.9, 0.8, 0.9, 0.8, 0.9, 0.8, 0.9, 0.8], "8 in a row on one side"),
    ],
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_rules_of_western_electric(late: list[float], rule: str, sign: float) -> None:
    # e-Handbook 6.3.2. Before it, forty values that go up and down by one about zero.
    calm = [1.0, -1.0] * 20
    assert chart(calm).alarms == []
    found = chart([sign * value for value in calm + late])
    assert found.alarms and found.alarms[-1] == (len(calm) + len(late) - 1, rule)


def test_limits_are_proposed_from_thirty() -> None:
    values = list(np.random.default_rng(1).normal(60, 1.5, 200))
    with pytest.raises(ValueError, match="30 good units"):
        propose(values[:29], True, False)
    found = propose(values, True, True)
    assert found.normal and found.low is not None and found.high is not None
    fresh = np.random.default_rng(2).normal(60, 1.5, 100_000)
    assert np.mean((fresh >= found.low) & (fresh <= found.high)) > 0.985
    assert not propose(list(np.exp(values)), True, False).normal
