"""How likely each cause is, given a checkup: against the unit's own baseline, or against the fleet's good units.

A good unit's row of features is normal around the fleet's mean; a baseline, itself measured with noise, narrows that. A
cause adds its effect (model.py), a checkup its noise. Likelihoods have heavy tails, since no model is right; where even
the nearest cause is far away, nothing is named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular
from scipy.special import gammaln, logsumexp
from scipy.stats import chi2

from airquill.tuning import pedal_model
from airquill.tuning.baseline import Baseline
from airquill.tuning.causes import CAUSES, HEALTHY, PEDAL
from airquill.tuning.checkup import PEDALS, Checkup
from airquill.tuning.features import NAMES, features_of, figures_of_row
from airquill.tuning.model import AIR_CAUSES, BINS, STOPS, Model

Floats = npt.NDArray[np.float64]

SURE = 0.7
"""A cause is named from this likelihood on; below, it is "cannot tell"."""
PRIOR_HEALTHY = 0.5
"""Of units that are looked at; the causes share the rest alike."""
FEW_GOOD = 3
"""Good units of a record book below which they say nothing about the fleet."""
_TAIL = 6.0  # degrees of freedom of the likelihood's tails; chosen
_EFFECT_ERROR = 0.15  # a cause's effect is known to this share; chosen
_UNSEEN = 0.04  # share by which a pump of another make may differ in what its baseline does not tell; chosen
_MISFIT_CHANCE = 1e-5  # of a row that far away, were all normal
_MISFIT_SLACK = 2.0  # since it is not quite
# Figures of the sensor or the supply alone; all others follow from pump and air.
_NOT_OF_AIR = ("rest_kpa", "noise_kpa", "vented_kpa", "supply_v", "supply_on_v")
# What the bench measures in another way than a checkup: a single reading at either end of the decay. Its pull-down is
# left out, since it may begin with a standing pump.
_BENCH_NOISE = {"decay_kpa_s": 0.12}
_BENCH_OTHER = ("pull_down_s",)
# Log of how much likelier a worn pedal or cable is than a good one when presses do not come at all; chosen.
_NO_PRESS = 10.0

_PLACES = {cause.name: place for place, cause in enumerate(CAUSES)}


@dataclass(frozen=True)
class Reference:
    """What this unit's row should be: mean and covariance. `source` says in words where that is from."""

    mean: Floats
    spread: Floats
    source: str


def reference(
    model: Model, baseline: Baseline | None = None, good: Sequence[Mapping[str, float | None]] = ()
) -> Reference:
    """From the fleet, moved by the figures of `good` units of a record book where there are some, narrowed by the
    unit's own baseline where it has one."""
    mean, spread = model.fleet_mean, model.fleet_spread
    unseen = np.array([0.0 if name in _NOT_OF_AIR else _UNSEEN for name in NAMES])
    noise = model.repeat + np.diag([_BENCH_NOISE.get(name, 0.0) ** 2 for name in NAMES])
    source = "good units computed from the tolerances of their parts"
    if len(good) >= FEW_GOOD:
        rows = np.array([_bench_row(figures) for figures in good])
        seen = np.flatnonzero(np.isfinite(rows).sum(axis=0) >= FEW_GOOD)
        gain = _gain(spread, (noise + spread) / len(good), seen)
        mean = mean + gain @ (np.nanmean(rows[:, seen], axis=0) - mean[seen])
        source = f"{len(good)} good units of the record book"
    if baseline is not None:
        row = _bench_row(baseline.figures)
        seen = np.flatnonzero(np.isfinite(row))
        gain = _gain(spread, noise, seen)
        mean = mean + gain @ (row[seen] - mean[seen])
        spread = spread - gain @ spread[seen]
        unseen[seen] = 0.0
        source = f"the unit's own figures of {baseline.day}"
    return Reference(mean, (spread + spread.T) / 2 + np.diag(unseen**2), source)


def _gain(spread: Floats, noise: Floats, seen: npt.NDArray[np.intp]) -> Floats:
    """Of what was seen, how much goes into each figure (the update of a normal distribution)."""
    place = np.ix_(seen, seen)
    return np.asarray(np.linalg.solve(spread[place] + noise[place], spread[seen]).T)


def _bench_row(figures: Mapping[str, float | None]) -> Floats:
    return features_of({name: value for name, value in figures.items() if name not in _BENCH_OTHER}, measured=False)


class Evidence:
    """What a checkup says about each cause at each strength.

    `logs` has a row for each of CAUSES and a column for each bin of strengths: log of prior times likelihood. `misfit`
    is how far the checkup is from what is nearest to it; above 1 it is unlike everything that is known here.
    """

    def __init__(self, model: Model, expected: Reference, found: Checkup) -> None:
        self.expected = expected
        self._model = model
        self._row = features_of(found.figures, measured=bool(found.traces) and not found.stopped_by)
        self._seen = np.flatnonzero(np.isfinite(self._row))
        self.logs = np.full((len(CAUSES), BINS), -np.inf)
        self._squares = np.full((len(CAUSES), BINS), np.inf)
        good, worn = _pedals(model, found)
        self._weigh(found.stopped_by)
        healthy = self.logs[_PLACES[HEALTHY]].copy()
        self.logs += good
        self.logs[_PLACES[PEDAL]] = healthy + worn
        self._squares[_PLACES[PEDAL]] = self._squares[_PLACES[HEALTHY]]
        prior = np.log([PRIOR_HEALTHY if cause.name == HEALTHY else _rest() for cause in CAUSES])
        self.logs += prior[:, None]
        best = np.unravel_index(int(np.argmax(self.logs)), self.logs.shape)
        limit = _MISFIT_SLACK * float(chi2.isf(_MISFIT_CHANCE, max(len(self._seen), 1)))
        nearest = float(self._squares[best[0]].min())
        self.misfit = nearest / limit if np.isfinite(nearest) else 0.0

    def _weigh(self, stopped_by: str) -> None:
        model = self._model
        stop = STOPS.index(stopped_by) if stopped_by in STOPS else 0
        with np.errstate(divide="ignore"):
            weights = np.log(model.share)[None, :] + np.log(model.stops[:, :, stop])
        for number, cause in enumerate(AIR_CAUSES):
            place = _PLACES[cause.name]
            for strength in range(BINS):
                log = 0.0
                if not stopped_by:
                    if not np.isfinite(model.mean[number, strength]).all():
                        continue
                    log, self._squares[place, strength] = _density(*self._parts(number, strength))
                self.logs[place, strength] = log + weights[number, strength]

    def _parts(self, number: int, strength: int) -> tuple[Floats, Floats]:
        """Difference from what is expected with a cause, and its covariance."""
        seen = self._seen
        effect = self._model.mean[number, strength][seen]
        spread = (self.expected.spread + self._model.spread[number, strength])[np.ix_(seen, seen)]
        away = self._row[seen] - self.expected.mean[seen] - effect
        return away, spread + np.diag((_EFFECT_ERROR * effect) ** 2)

    def deviations(self, name: str) -> dict[str, float]:
        """Each measured figure's distance from what the cause, at the strength that fits best, leads to, in standard
        deviations. A worn pedal leads to what is healthy."""
        number = next((n for n, cause in enumerate(AIR_CAUSES) if cause.name == name), 0)
        strength = int(np.argmax(self.logs[_PLACES[AIR_CAUSES[number].name]]))
        if not np.isfinite(self._model.mean[number, strength]).all():
            return {}
        away, spread = self._parts(number, strength)
        return {
            NAMES[place]: float(value) for place, value in zip(self._seen, away / np.sqrt(np.diag(spread)), strict=True)
        }


@dataclass(frozen=True)
class Diagnosis:
    """Likelihood of each cause by name, likeliest first. `named` is the cause that is sure enough, "" when none is;
    `strange` when the figures are unlike every cause, so that none is named however likely it is beside the others.

    By figure, in standard deviations: `against_healthy` is how far it is from this unit's when healthy, and
    `against_likeliest` from what the likeliest cause that is none of healthy and pedal leads to. `healthy` are
    the figures that this unit should have, and `source` says what they were taken from.
    """

    likelihoods: dict[str, float]
    named: str
    strange: bool
    source: str
    healthy: dict[str, float]
    against_healthy: dict[str, float]
    against_likeliest: dict[str, float]

    @property
    def likeliest(self) -> str:
        """The first of the likelihoods."""
        return next(iter(self.likelihoods))

    @property
    def likeliest_fault(self) -> str:
        """The likeliest cause that is none of healthy and pedal."""
        return next(name for name in self.likelihoods if name not in (HEALTHY, PEDAL))


def diagnose(model: Model, expected: Reference, found: Checkup) -> Diagnosis:
    """Judge a checkup."""
    evidence = Evidence(model, expected, found)
    return judged(evidence, evidence.logs)


def judged(evidence: Evidence, logs: Floats, sure_healthy: float = SURE) -> Diagnosis:
    """From what is known of each cause at each strength: `Evidence.logs`, or those after more answers. Healthy is named
    from the likelihood `sure_healthy` on."""
    values = logsumexp(logs, axis=1)
    shares = np.exp(values - logsumexp(values))
    order = [int(place) for place in np.argsort(-shares, kind="stable")]
    likelihoods = {CAUSES[place].name: float(shares[place]) for place in order}
    strange = evidence.misfit > 1.0
    sure = not strange and shares[order[0]] >= (sure_healthy if CAUSES[order[0]].name == HEALTHY else SURE)
    fault = next(name for name in likelihoods if name not in (HEALTHY, PEDAL))
    return Diagnosis(
        likelihoods,
        CAUSES[order[0]].name if sure else "",
        strange,
        evidence.expected.source,
        figures_of_row(evidence.expected.mean),
        evidence.deviations(HEALTHY),
        evidence.deviations(fault),
    )


def _rest() -> float:
    return (1.0 - PRIOR_HEALTHY) / (len(CAUSES) - 1)


def _pedals(model: Model, found: Checkup) -> tuple[float, float]:
    """Log likelihoods of good pedals and of a worn one."""
    row = pedal_model.row_of(found.figures)
    if row is not None:
        return pedal_model.log_density(row, model.pedals_good), pedal_model.log_density(row, model.pedals_worn)
    return (-_NO_PRESS, 0.0) if any(found.figures.get(f"pedal{n}_missed") for n in PEDALS) else (0.0, 0.0)


def _density(away: Floats, spread: Floats) -> tuple[float, float]:
    """Log density, of Student's t in as many dimensions, and the squared distance."""
    size = len(away)
    if size == 0:
        return 0.0, 0.0
    factor = np.linalg.cholesky(spread)
    square = float((solve_triangular(factor, away, lower=True) ** 2).sum())
    log = gammaln((_TAIL + size) / 2) - gammaln(_TAIL / 2) - size / 2 * np.log(_TAIL * np.pi)
    log -= np.log(np.diag(factor)).sum() + (_TAIL + size) / 2 * np.log1p(square / _TAIL)
    return float(log), square
