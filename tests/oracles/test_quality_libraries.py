"""Statistics against other programs' (statsmodels 0.15, scipy 1.17), and against draws whose truth is known."""

from __future__ import annotations

import numpy as np
import pandas
import pytest
import statsmodels.api as statsmodels
from statsmodels.formula.api import mixedlm, ols
from statsmodels.stats.proportion import proportion_confint

from airquill.errors import AirquillError
from airquill.quality.capability import capability, share, tolerance_factor
from airquill.quality.chart import trend
from airquill.quality.gauge import Measured, study

PARTS, OPERATORS, TRIALS = 8, 3, 3


def drawn(seed: int, part: float, operator: float, cross: float, repeat: float) -> list[Measured]:
    draw = np.random.default_rng(seed)
    of_part, of_operator = draw.normal(0, part, PARTS), draw.normal(0, operator, OPERATORS)
    of_cell = draw.normal(0, cross, (PARTS, OPERATORS))
    return [
        (f"p{p}", f"o{o}", float(60 + of_part[p] + of_operator[o] + of_cell[p, o] + draw.normal(0, repeat)))
        for p in range(PARTS)
        for o in range(OPERATORS)
        for _ in range(TRIALS)
    ]


@pytest.mark.parametrize(("cross", "pooled"), [(0.0, True), (0.8, False)])
def test_table_of_variance(cross: float, pooled: bool) -> None:
    measured = drawn(7, 2.0, 0.5, cross, 0.3)
    found = study(measured)
    frame = pandas.DataFrame(measured, columns=["part", "operator", "value"])
    formula = "value ~ C(part) + C(operator)" + ("" if pooled else " + C(part):C(operator)")
    theirs = statsmodels.stats.anova_lm(ols(formula, frame).fit(), typ=2)
    names = {"part": "C(part)", "operator": "C(operator)", "interaction": "C(part):C(operator)"}
    assert found.pooled is pooled
    for row in found.rows:
        other = theirs.loc[names.get(row.name, "Residual")]
        assert (row.df, row.ss) == (other.df, pytest.approx(other.sum_sq))


def test_variances_are_those_of_a_mixed_model() -> None:
    # Balanced data with positive components: the analysis of variance and REML agree.
    measured = drawn(3, 2.0, 1.0, 0.0, 0.4)
    found = study(measured)
    assert found.pooled
    frame = pandas.DataFrame(measured, columns=["part", "operator", "value"]).assign(all=1)
    parts = {"part": "0 + C(part)", "operator": "0 + C(operator)"}
    fit = mixedlm("value ~ 1", frame, groups="all", vc_formula=parts, re_formula="0").fit(reml=True)
    variances = dict(zip(fit.model.exog_vc.names, fit.vcomp, strict=True))
    assert found.repeatability**2 == pytest.approx(fit.scale, rel=0.01)
    assert found.part**2 == pytest.approx(variances["part"], rel=0.02)
    assert found.reproducibility**2 == pytest.approx(variances["operator"], rel=0.02)


def test_a_study_is_refused_where_it_says_nothing() -> None:
    measured = drawn(1, 1, 1, 0, 1)
    with pytest.raises(AirquillError, match="Part p0 was measured 2 times by o0, others up to 3"):
        study(measured[1:])
    with pytest.raises(AirquillError, match="two parts"):
        study([one for one in measured if one[0] == "p0"])
    with pytest.raises(AirquillError, match="all equal"):
        study([(part, who, 60.0) for part, who, _ in measured])


def test_tolerance_decides_where_there_is_one() -> None:
    measured = drawn(5, 0.1, 0.0, 0.0, 0.3)
    assert study(measured).word == "not usable"
    wide = study(measured, low=50.0, high=70.0)
    assert wide.share_of_tolerance == pytest.approx(6 * wide.measurement / 20) and wide.word == "good"
    one = study(measured, low=50.0)
    assert one.share_of_tolerance == pytest.approx(3 * one.measurement / (one.mean - 50))


@pytest.mark.parametrize(("good", "of"), [(0, 5), (5, 5), (17, 20), (480, 500)])
def test_share_is_clopper_and_pearson(good: int, of: int) -> None:
    found = share(good, of)
    low, high = proportion_confint(good, of, alpha=0.05, method="beta")
    assert found.low == pytest.approx(low, abs=1e-9) and found.high == pytest.approx(high, abs=1e-9)


def test_bounds_hold_as_often_as_they_promise() -> None:
    # 2000 batches of 30 with a known Cpk of 1.33 and Cp of 1.33: coverage within what such a sample allows.
    draw = np.random.default_rng(11)
    inside_cp = below_floor = 0
    for _ in range(2000):
        found = capability(list(draw.normal(0, 1, 30)), -3.99, 3.99)
        assert found.cp_low is not None and found.cp_high is not None and found.cpk_floor is not None
        inside_cp += found.cp_low <= 1.33 <= found.cp_high
        below_floor += found.cpk_floor <= 1.33
    assert inside_cp / 2000 == pytest.approx(0.95, abs=0.015)
    assert below_floor / 2000 >= 0.945


@pytest.mark.parametrize("sides", [1, 2])
def test_tolerance_intervals_cover_as_often_as_they_promise(sides: int) -> None:
    from scipy.stats import norm

    draw = np.random.default_rng(5).normal(0, 1, (4000, 30))
    mean, deviation = draw.mean(axis=1), draw.std(axis=1, ddof=1)
    factor = tolerance_factor(30, 0.99, 0.95, sides)
    below = norm.cdf(mean - factor * deviation) if sides == 2 else 0.0
    covered = norm.cdf(mean + factor * deviation) - below
    assert np.mean(covered >= 0.99) == pytest.approx(0.95, abs=0.012)


def test_trend_is_seen_and_not_imagined() -> None:
    draw = np.random.default_rng(4)
    drifting = trend(list(60 - 0.05 * np.arange(60) + draw.normal(0, 0.3, 60)))
    assert drifting is not None and drifting.there and drifting.per_unit == pytest.approx(-0.05, abs=0.01)
    false = sum(bool(found and found.there) for found in (trend(list(draw.normal(0, 1, 20))) for _ in range(300)))
    assert false <= 9  # 1 % of 300, and what such a sample allows
    assert trend([1.0] * 7) is None
    level = trend([1.0] * 9)
    assert level is not None and not level.there
