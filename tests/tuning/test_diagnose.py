"""Diagnosis by the figures: its arithmetic against scipy, its hits and misses on units drawn by seed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from airquill.tuning.baseline import Baseline
from airquill.tuning.causes import CAUSES, HEALTHY, PEDAL
from airquill.tuning.checkup import Checkup
from airquill.tuning.diagnose import _NOT_OF_AIR, _TAIL, _UNSEEN, Evidence, _density, diagnose, reference
from airquill.tuning.features import NAMES, features_of, figures_of_row
from airquill.tuning.model import SHIPPED_GAUGE, Model, model_for
from benchmarks.diagnosis import CANNOT, STRANGE, part_bent, part_holes, part_sensor, score
from benchmarks.faulty_units import KINDS, computed, draw


@pytest.fixture(scope="module")
def model() -> Model:
    return model_for(SHIPPED_GAUGE)


def checkup(figures: dict[str, float | None], stopped_by: str = "") -> Checkup:
    traces = {} if stopped_by else {"made": {}}
    return Checkup(
        day="2026-11-25",
        chip="made",
        needle_gauge=22,
        altitude_m=0,
        figures=figures,
        stopped_by=stopped_by,
        traces=traces,
    )


def test_the_density_is_scipys() -> None:
    """scipy.stats.multivariate_t, the reference for Student's distribution in many dimensions."""
    chance = np.random.default_rng(1)
    for size in (1, 3, 12):
        root = chance.standard_normal((size, size))
        spread = root @ root.T + np.eye(size)
        away = chance.standard_normal(size) * 3
        log, square = _density(away, spread)
        assert log == pytest.approx(stats.multivariate_t(loc=np.zeros(size), shape=spread, df=_TAIL).logpdf(away))
        assert square == pytest.approx(away @ np.linalg.inv(spread) @ away)


def test_a_baseline_narrows_as_a_conditional_normal_does(model: Model) -> None:
    """p(row | baseline) by scipy.stats.multivariate_normal, as the joint density over the baseline's own."""
    kept = {"sealed_kpa": 63.0, "open_kpa": 47.0}
    found = reference(model, Baseline("2026-11-25", 22, kept))
    seen = [NAMES.index(name) for name in kept]
    rest = [NAMES.index(name) for name in ("sealed_part_kpa", "open_part_kpa", "pull_63_s", "fall_37_ms")]
    noise = model.repeat[np.ix_(seen, seen)]
    told = features_of(dict(kept), measured=False)[seen]
    fleet = model.fleet_spread
    of_kept = fleet[np.ix_(seen, seen)] + noise
    joint = np.block([[fleet[np.ix_(rest, rest)], fleet[np.ix_(rest, seen)]], [fleet[np.ix_(seen, rest)], of_kept]])
    mean = np.concatenate([model.fleet_mean[rest], model.fleet_mean[seen]])
    unseen = np.array([0.0 if NAMES[place] in _NOT_OF_AIR else _UNSEEN for place in rest])
    given = stats.multivariate_normal(found.mean[rest], found.spread[np.ix_(rest, rest)] - np.diag(unseen**2))
    for shift in (-0.01, 0.0, 0.02):
        row = found.mean[rest] + shift
        both = stats.multivariate_normal(mean, joint).logpdf(np.concatenate([row, told]))
        alone = stats.multivariate_normal(model.fleet_mean[seen], of_kept).logpdf(told)
        assert given.logpdf(row) == pytest.approx(both - alone, abs=0.01)


def test_good_units_of_a_book_move_the_fleet(model: Model) -> None:
    usual = figures_of_row(model.fleet_mean)
    good = [{"sealed_kpa": usual["sealed_kpa"] - 6 + 0.2 * n, "open_kpa": usual["open_kpa"] - 5} for n in range(5)]
    found = figures_of_row(reference(model, None, good).mean)
    assert found["sealed_kpa"] == pytest.approx(usual["sealed_kpa"] - 5.6, abs=1.0)
    assert found["open_part_kpa"] < usual["open_part_kpa"]
    assert reference(model, None, good[:2]).source == reference(model).source


def test_a_healthy_unit_and_the_likelihoods_sum_to_one(model: Model) -> None:
    figures: dict[str, float | None] = dict(figures_of_row(model.fleet_mean))
    said = diagnose(model, reference(model), checkup(figures))
    assert said.named == HEALTHY and not said.strange
    assert set(said.likelihoods) == {cause.name for cause in CAUSES}
    assert sum(said.likelihoods.values()) == pytest.approx(1.0)
    assert max(abs(value) for value in said.against_healthy.values()) < 0.5


def test_a_tip_that_nobody_closed_is_no_evidence(model: Model) -> None:
    """Without hands only the open tip is measured: what was not tried did not fail."""
    usual = figures_of_row(model.fleet_mean)
    figures: dict[str, float | None] = {name: usual[name] for name in ("rest_kpa", "open_kpa", "open_part_kpa")}
    assert diagnose(model, reference(model), checkup(figures)).likeliest == HEALTHY
    figures |= {"open_kpa": 62.0, "open_part_kpa": 55.0}
    assert diagnose(model, reference(model), checkup(figures)).likeliest == "tip_clog"


@pytest.mark.parametrize(("word", "cause"), [("sensor_range", "sensor_dead"), ("supply_low", "supply_sag")])
def test_what_stopped_the_unit_is_the_evidence(word: str, cause: str, model: Model) -> None:
    assert diagnose(model, reference(model), checkup({}, word)).named == cause


def test_a_pedal_that_never_came_is_named(model: Model) -> None:
    figures: dict[str, float | None] = dict(figures_of_row(model.fleet_mean))
    assert diagnose(model, reference(model), checkup({**figures, "pedal2_missed": 4.0})).named == PEDAL


def test_figures_like_nothing_known_are_said_to_be_so(model: Model) -> None:
    """More vacuum with a free tip than with a closed one: no single cause does that."""
    figures: dict[str, float | None] = dict(figures_of_row(model.fleet_mean))
    said = diagnose(model, reference(model), checkup({**figures, "open_kpa": 64.0, "sealed_kpa": 30.0}))
    assert said.strange and said.named == ""


def test_an_altitude_does_not_look_like_a_fault(model: Model) -> None:
    """Figures are corrected to sea level; computed at 1500 m (ISO 2533: 84.56 kPa) they still look healthy."""
    from airquill.tuning.checkup import sea_level_factor
    from airquill.tuning.fleet import checkups
    from airquill.tuning.makes import Make
    from airquill.tuning.model import made

    chance = np.random.default_rng(8)
    units = [made(chance, Make.drawn(chance), 22) for _ in range(12)]
    for unit in units:
        unit.air.ambient_pa -= 101325 - 84560
    named = [
        diagnose(model, reference(model), checkup(one.figures)).likeliest
        for one in checkups(units, sea_level_factor(1500), 2)
    ]
    assert named.count(HEALTHY) >= 11


@pytest.mark.slow
@pytest.mark.timeout(400)  # a guard against a hang: they take some ten seconds of processor time
def test_most_faults_are_found_and_healthy_units_left_alone(model: Model) -> None:
    """Bounds as for 300 and 100 units, less what chance does to so few; a guess would hit one in fifteen."""
    found = part_sensor(model, 60, 40, seed=11)
    own, fleet = (found[f"Computed units, against {what}"] for what in ("their baseline", "the fleet"))
    assert own.faulty + own.unseen == 60 and own.faulty >= 40
    assert own.top_share >= 0.85 and fleet.top_share >= 0.75
    assert own.false_alarms <= 0.025 and fleet.false_alarms <= 0.05
    assert own.oversure_share <= 0.05
    right, wrong, none = own.named_right
    assert right + wrong + none == own.faulty and right >= 0.8 * own.faulty


@pytest.mark.slow
@pytest.mark.timeout(400)  # a guard against a hang: they take some ten seconds of processor time
def test_what_the_model_does_not_know_seldom_makes_it_sure_of_a_wrong_cause(model: Model) -> None:
    bent = part_bent(model, 40, 20, seed=12)["Pumps with bent curves, against their baseline"]
    holes = part_holes(model, 40, 0, seed=13)["Leaks that are holes, against their baseline"]
    assert bent.oversure_share <= 0.05 and holes.oversure_share <= 0.1
    assert bent.top_share > 0.8


def test_the_confusion_matrix_is_statsmodels(model: Model) -> None:
    """Counts of a table of true and named causes by statsmodels' SquareTable: agreement is the diagonal."""
    from statsmodels.stats.contingency_tables import SquareTable

    kinds = ["tip_clog", "leak", "pump_weak"]
    units = computed(draw(12, 6, 14, kinds=kinds), 14)
    found = score(model, units, baseline=True)
    names = [HEALTHY, *KINDS, CANNOT, STRANGE]
    table = np.array([[found.matrix[kind, named] for named in names] for kind in names], dtype=float)
    assert table.sum() == found.faulty + found.healthy
    assert SquareTable(table, shift_zeros=False).table.trace() == found.named_right[0] + found.matrix[HEALTHY, HEALTHY]
    assert table[0].sum() == 6 == found.healthy


def test_evidence_needs_no_air(model: Model) -> None:
    """Supply and pedals alone: nothing is known of the air, and all its causes stay as likely as before."""
    said = Evidence(model, reference(model), checkup({}).model_copy(update={"traces": {}}))
    logs = said.logs[[cause.name not in (HEALTHY, PEDAL) for cause in CAUSES]]
    shares = np.exp(logs).sum(axis=1)
    assert shares.max() / shares.min() < 3.0  # some would have stopped the unit
