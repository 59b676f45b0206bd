"""The air model fitted to a measurement by bounded least squares, with the uncertainty of each parameter.

Weighted residuals of levels and recordings, and of each parameter against what is usual, weighted by how widely tools
differ. That is a maximum of the posterior probability with normal distributions; its covariance comes from the
Jacobian. Where the model misses by more than the noise, all intervals grow alike (the Birge ratio, as metrologists do
when results scatter more than stated).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from scipy.stats import chi2

from airquill.errors import AirquillError
from airquill.tuning import expected
from airquill.twin.measurement import AGE_SPREAD_S, PULL_DOWN, VENT, Measurement, Recording
from airquill.twin.parameters import Parameter, parameters_for

Floats = npt.NDArray[np.float64]

COVERS = 1.96  # standard deviations on either side, 95 % of a normal distribution
TOLD_SHARE = 0.7  # of the spread among tools: an interval wider than that says nothing new; chosen
LEAST_NOISE_KPA = 0.03  # of a reference that says no noise at all
MISS_NOISES = 3.0
MISS_SHARE = 0.015  # of the sealed level: what a model may miss by and still be of use; chosen
_STEP_SHARE = 0.01  # of a parameter's spread; the integrator's own steps make smaller differences uneven
_DELAY_OF = {PULL_DOWN: "on_ms", VENT: "off_ms"}


@dataclass(frozen=True)
class Estimate:
    """A parameter's value with its 95 % interval. `told`: the measurement says more than is usual; `why` if not."""

    parameter: Parameter
    value: float
    low: float
    high: float
    told: bool
    why: str = ""


@dataclass(frozen=True)
class Miss:
    """How far the model is from one part of the measurement, root mean square, and how far it may be, kPa."""

    what: str
    rms_kpa: float
    most_kpa: float

    @property
    def fits(self) -> bool:
        """Whether it is near enough."""
        return self.rms_kpa <= self.most_kpa


@dataclass(frozen=True)
class Fit:
    """`chi2_share` is chi-square over its degrees of freedom, `chance` how often noise alone gives as much or more."""

    estimates: dict[str, Estimate]
    misses: tuple[Miss, ...]
    chi2_share: float
    chance: float
    samples: int

    @property
    def values(self) -> dict[str, float]:
        """Parameters by name."""
        return {name: one.value for name, one in self.estimates.items()}

    @property
    def fits(self) -> bool:
        """Whether the model is near enough everywhere."""
        return all(miss.fits for miss in self.misses)


def fit(measured: Measurement) -> Fit:
    """Fit. AirquillError when there is too little to fit."""
    if not measured.levels:
        raise AirquillError("No level was measured, so there is nothing to fit. Measure again.", 1)
    problem = _Problem(measured)
    start = problem.start()
    found = least_squares(
        problem.residuals,
        start,
        jac=problem.jacobian,
        bounds=problem.bounds,
        x_scale="jac",
        method="trf",
        xtol=1e-6,
        ftol=1e-4,
        max_nfev=40,
    )
    return problem.result(found.x)


class _Problem:
    """Residuals and their derivatives. Each evaluation computes all sets of parameters at once."""

    def __init__(self, measured: Measurement) -> None:
        self.measured = measured
        self.parameters = parameters_for(measured.needles)
        self.bounds = (
            [one.inner(one.low) for one in self.parameters],
            [one.inner(one.high) for one in self.parameters],
        )
        self._spread = np.array([one.spread for one in self.parameters])
        self._usual = np.array([one.inner(one.usual) for one in self.parameters])
        noise = max(measured.noise_kpa, LEAST_NOISE_KPA)
        self._noise_kpa = noise
        self._level_kpa = np.array([level.kpa for level in measured.levels])
        self._level_error = np.array([max(level.error_kpa, 0.1 * LEAST_NOISE_KPA) for level in measured.levels])
        self._recorded = [_Recorded(one, noise) for one in measured.recordings]
        sealed = [level.kpa for level in measured.levels if level.sealed]
        self._full_kpa = max(sealed) if sealed else max(level.kpa for level in measured.levels)
        self._heat_k = float(np.mean([one.heat_k for one in measured.recordings])) if measured.recordings else 0.0
        self._last: Floats | None = None
        self._value: Floats = np.empty(0)
        self._slope: Floats = np.empty((0, 0))

    def start(self) -> Floats:
        """Where to begin: what is usual, with the pump's end vacuum near the sealed level."""
        values = self._usual.copy()
        sea_kpa = min(self._full_kpa * 101.325 / self.measured.ambient_kpa + 0.3, 95.0)
        values[0] = self.parameters[0].inner(max(sea_kpa, 6.0))
        return values

    def _named(self, inner: Floats) -> dict[str, float]:
        pairs = zip(self.parameters, inner, strict=True)
        # a rounding error must not carry a value over its bound
        return {one.name: min(max(one.outer(float(x)), one.low), one.high) for one, x in pairs}

    def _evaluate(self, inner: Floats) -> None:
        if self._last is not None and (inner == self._last).all():
            return
        forward = _STEP_SHARE * self._spread
        steps = np.where(inner + forward < np.array(self.bounds[1]), forward, -forward)
        sets = [self._named(inner)]
        for n, step in enumerate(steps):
            shifted = inner.copy()
            shifted[n] += step
            sets.append(self._named(shifted))
        rows = self._weighted(sets)
        self._value = np.concatenate([rows[0], (inner - self._usual) / self._spread])
        self._slope = np.vstack([((rows[1:] - rows[0]) / steps[:, None]).T, np.diag(1.0 / self._spread)])
        self._last = inner.copy()

    def _weighted(self, sets: Sequence[dict[str, float]]) -> Floats:
        measured = self.measured
        parts = [(expected.levels(sets, measured.levels, measured) - self._level_kpa) / self._level_error]
        zero = np.array([one["zero_kpa"] for one in sets])
        parts.append(((zero - measured.rest_kpa) / measured.rest_error_kpa)[:, None])
        if self._recorded:
            rows = expected.traces(sets, self._full_kpa, self._heat_k, measured)
            for one in self._recorded:
                delay = _DELAY_OF.get(one.kind)
                late_s = [measured.age_s + (values[delay] / 1000.0 if delay else 0.0) for values in sets]
                seen = [
                    expected.at_times(row, one.at_s, late) for row, late in zip(rows[one.kind], late_s, strict=True)
                ]
                parts.append((np.array(seen) - one.kpa) / one.error)
        return np.hstack(parts)

    def residuals(self, inner: Floats) -> Floats:
        self._evaluate(inner)
        return self._value

    def jacobian(self, inner: Floats) -> Floats:
        self._evaluate(inner)
        return self._slope

    def result(self, inner: Floats) -> Fit:
        self._evaluate(inner)
        count = len(self._value) - len(self.parameters)
        squares = float((self._value**2).sum())
        share = squares / max(count, 1)
        covariance = np.linalg.inv(self._slope.T @ self._slope)
        stretch = max(share, 1.0) ** 0.5
        estimates = {}
        for n, one in enumerate(self.parameters):
            error = float(covariance[n, n] ** 0.5)
            estimates[one.name] = self._estimate(one, float(inner[n]), error, stretch)
        return Fit(estimates, tuple(self._misses()), share, float(chi2.sf(squares, max(count, 1))), count)

    def _estimate(self, one: Parameter, inner: float, error: float, stretch: float) -> Estimate:
        told = error < TOLD_SHARE * one.spread
        # what is not told cannot grow beyond what tools differ by
        wide = COVERS * min(error * stretch, one.spread)
        low, high = max(one.outer(inner - wide), one.low), min(one.outer(inner + wide), one.high)
        why = ""
        if not told:
            why = one.needs if one.needs and not self.measured.recordings else "other parameters can make up for it"
        return Estimate(one, min(max(one.outer(inner), low), high), low, high, told, why)

    def _misses(self) -> list[Miss]:
        most = MISS_NOISES * self._noise_kpa + MISS_SHARE * self._full_kpa
        n = len(self._level_kpa)
        off = self._value[:n] * self._level_error
        found = []
        for needle in self.measured.needles:
            mask = [level.needle == needle and not level.sealed for level in self.measured.levels]
            if any(mask):
                found.append(Miss(f"levels with the {needle}G tip open", _rms(off[mask]), most))
        mask = [level.sealed for level in self.measured.levels]
        if any(mask):
            found.append(Miss("levels with the tip sealed", _rms(off[mask]), most))
        at = n + 1
        for one in self._recorded:
            part = self._value[at : at + len(one.kpa)]
            at += len(one.kpa)
            # in units of what a sample may be off, so that a steep stretch counts by its timing
            found.append(Miss(one.kind, _rms(part) * self._noise_kpa, most))
        return found


def _rms(values: Floats) -> float:
    return float(np.sqrt((values**2).mean()))


class _Recorded:
    """One recording with the error of each sample: noise, and its slope times how uncertain its time is."""

    def __init__(self, recording: Recording, noise_kpa: float) -> None:
        self.kind = recording.kind
        self.at_s = np.array(recording.at_s)
        self.kpa = np.array(recording.kpa)
        slope = np.gradient(self.kpa, self.at_s)
        self.error = np.sqrt(noise_kpa**2 + (slope * AGE_SPREAD_S) ** 2)
