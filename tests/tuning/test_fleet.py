"""Computed units against whole virtual ones, firmware and all, and the shipped model against units computed anew."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from airquill.errors import AirquillError
from airquill.tuning import model as model_module
from airquill.tuning.causes import BY_NAME, CAUSES, HEALTHY, PEDAL
from airquill.tuning.features import NAMES, features_of, figures_of_row, rows_of
from airquill.tuning.fleet import checkups
from airquill.tuning.makes import Make
from airquill.tuning.model import AIR_CAUSES, BINS, SHIPPED_GAUGE, Model, edges, made, model_for, read, text
from benchmarks.faulty_units import GAUGE, Drawn, whole

KINDS = [("healthy", 0.0), ("leak", 0.2), ("filter_clog", 0.7), ("valve_open", 0.5), ("valve_slow", 0.6)]
KINDS += [("pump_stiff", 0.6), ("pump_weak", 0.5), ("supply_sag", 0.2), ("sensor_drift", 0.5), ("tip_clog", 0.4)]
KINDS += [("pump_still", 1.0), ("valve_shut", 0.3), ("sensor_dead", 0.3), ("sensor_noisy", 0.4)]
FRESH = [("tip_clog", 6), ("leak", 3), ("valve_slow", 8)]
# Of the effect, plus so many deviations of a repeated checkup.
SHARE, SIGMAS = 0.1, 4.0


@pytest.fixture(scope="module")
def model() -> Model:
    return model_for(SHIPPED_GAUGE)


@pytest.fixture(scope="module")
def computed() -> dict[str, np.ndarray]:
    """Rows of nominal units with each of KINDS, and of units drawn anew with each of FRESH: all computed together,
    which takes as long as one."""
    draw = np.random.default_rng(3)
    groups = {f"nominal {kind}": [made(draw, Make(), GAUGE, BY_NAME[kind], s) for _ in range(16)] for kind, s in KINDS}
    makes = [Make.drawn(draw) for _ in range(40)]
    groups["fresh healthy"] = [made(draw, make, GAUGE) for make in makes]
    for name, number in FRESH:
        low, high = edges()[number : number + 2]
        bad = [made(draw, make, GAUGE, BY_NAME[name], float(draw.uniform(low, high))) for make in makes]
        groups[f"fresh {name}"] = bad
    rows = iter(
        rows_of([one.figures for one in checkups([unit for group in groups.values() for unit in group], 1.0, 4)])
    )
    return {name: np.array([next(rows) for _ in group]) for name, group in groups.items()}


@pytest.mark.parametrize(("kind", "strength"), KINDS)
def test_a_computed_unit_is_like_a_whole_one(
    kind: str, strength: float, model: Model, computed: dict[str, np.ndarray]
) -> None:
    """Firmware, protocol and streams on one side, the same physics alone on the other: the same effect."""
    unit = whole(Drawn(5, kind, strength, Make()))
    effect = features_of(unit.after.figures, True) - features_of(unit.before.figures, True)
    rows = computed[f"nominal {kind}"]
    if kind == "sensor_drift":  # the virtual unit's drifts upwards only
        rows = rows[rows[:, 0] > 0]
    expected = np.median(rows, axis=0) - computed["nominal healthy"].mean(axis=0)
    sigma = np.sqrt(2 * np.diag(model.repeat) + rows.var(axis=0))
    room = SHARE * np.abs(expected) + SIGMAS * sigma
    off = [(NAMES[n], float(effect[n]), float(expected[n])) for n in np.flatnonzero(np.abs(effect - expected) > room)]
    assert not off
    if kind != HEALTHY:
        assert (np.abs(effect) > SIGMAS * sigma).any()


@pytest.mark.parametrize(("name", "number"), FRESH)
def test_the_shipped_model_is_what_fresh_units_do(
    name: str, number: int, model: Model, computed: dict[str, np.ndarray]
) -> None:
    """Other makes, other days, other noise: the same mean within what so few cases can tell, and no smaller spread."""
    effects = computed[f"fresh {name}"] - computed["fresh healthy"]
    place = [cause.name for cause in AIR_CAUSES].index(name)
    sigma = np.sqrt(np.diag(model.spread[place, number]) + np.diag(model.repeat))
    assert (np.abs(effects.mean(axis=0) - model.mean[place, number]) < 5 * sigma / np.sqrt(32)).all()
    assert (effects.std(axis=0) < 2 * sigma).all()


def test_a_model_to_text_and_back(model: Model) -> None:
    again = read(text(model))
    for name in Model.__dataclass_fields__:
        one, other = getattr(model, name), getattr(again, name)
        assert one.shape == other.shape, name
        assert np.allclose(one, other, rtol=1e-3, atol=1e-9, equal_nan=True), name
    assert (np.linalg.eigvalsh(model.repeat) > 0).all()


def test_every_cause_has_its_rows(model: Model) -> None:
    assert model.mean.shape[:2] == (len(CAUSES) - 1, BINS)
    healthy = [cause.name for cause in AIR_CAUSES].index(HEALTHY)
    assert np.abs(model.mean[healthy]).max() < 0.1
    assert all(cause.spoil is not None for cause in CAUSES if cause.name not in (HEALTHY, PEDAL))
    assert model.share.sum() == pytest.approx(1.0)


def test_features_turn_back(model: Model) -> None:
    figures = figures_of_row(model.fleet_mean)
    assert figures["sealed_kpa"] == pytest.approx(64.9, abs=1.0)  # the default pump's end vacuum is 65 kPa
    assert np.allclose(features_of(figures, measured=True), model.fleet_mean)


@pytest.mark.slow
@pytest.mark.timeout(400)  # a guard against a hang: they take some ten seconds of processor time
def test_another_needle_is_computed_once_and_a_damaged_cache_again(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(model_module, "MAKES", 20)
    monkeypatch.setattr(model_module, "CASES", 4)
    monkeypatch.setattr(model_module, "user_cache_path", lambda _name: tmp_path)
    shares: list[float] = []
    first = model_for(25, shares.append)
    assert shares and shares == sorted(shares)
    (kept,) = tmp_path.glob("causes_25G_*.json")
    built: list[int] = []

    def again(gauge: int, _on_share: object) -> Model:
        built.append(gauge)
        return first

    monkeypatch.setattr(model_module, "build", again)
    assert np.allclose(model_for(25).mean, first.mean, rtol=1e-3, equal_nan=True)
    assert built == []
    kept.write_text(kept.read_text()[:1000])
    model_for(25)
    assert built == [25] and np.allclose(read(kept.read_text()).mean, first.mean, rtol=1e-3, equal_nan=True)


def test_a_needle_that_is_not_listed_is_refused() -> None:
    with pytest.raises(AirquillError, match="no needle of 99 gauge"):
        model_for(99)
