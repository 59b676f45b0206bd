"""Gauge study: how much of what is seen comes from measuring, by analysis of variance of a crossed study.

Source: AIAG, Measurement Systems Analysis, 4th edition, chapter III section B, ANOVA method (from memory); the
variance components are those of any two-way random model with interaction.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy import stats

from airquill.errors import AirquillError

# An interaction less sure than this is taken for part of the repeatability; 0.05 as in AIAG's example (from memory).
POOL_ABOVE_P = 0.05


@dataclass(frozen=True)
class Row:
    """A row of the table of variance. `f` and `p` are None for the error."""

    name: str
    df: int
    ss: float
    ms: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True)
class Gauge:
    """A study's result. All deviations are standard deviations in the figure's unit.

    `share_of_total` is the measurement's deviation over the total one; `share_of_tolerance` is six of it over the width
    between the limits, or three of it over the distance from the mean to the only one. `categories` is how many
    groups of units the measurement can tell apart.
    """

    parts: int
    operators: int
    trials: int
    rows: list[Row]
    pooled: bool
    mean: float
    repeatability: float
    reproducibility: float
    measurement: float
    part: float
    total: float
    share_of_total: float
    share_of_tolerance: float | None
    categories: int

    @property
    def word(self) -> str:
        """AIAG: under 10 % good, over 30 % not usable; by the tolerance where there is one, which decides."""
        share = self.share_of_total if self.share_of_tolerance is None else self.share_of_tolerance
        return "good" if share < 0.10 else "usable" if share <= 0.30 else "not usable"


Measured = tuple[str, str, float]


def study(measured: Iterable[Measured], low: float | None = None, high: float | None = None) -> Gauge:
    """A study of (part, operator, value), each part measured by each operator equally often, at least twice.

    With one operator reproducibility is zero. AirquillError says what is missing.
    """
    values = _crossed(list(measured))
    rows, pooled, equipment, operator, interaction, part = _components(values)
    if equipment == 0:
        raise AirquillError("Repeated measurements are all equal, so they say nothing. Measure again, in finer steps.")
    between = max(operator, 0.0) + max(interaction, 0.0)
    measurement, part = float(np.sqrt(equipment + between)), float(np.sqrt(max(part, 0.0)))
    total = float(np.hypot(measurement, part))
    mean = float(values.mean())
    return Gauge(
        parts=values.shape[0],
        operators=values.shape[1],
        trials=values.shape[2],
        rows=rows,
        pooled=pooled,
        mean=mean,
        repeatability=float(np.sqrt(equipment)),
        reproducibility=float(np.sqrt(between)),
        measurement=measurement,
        part=part,
        total=total,
        share_of_total=measurement / total,
        share_of_tolerance=_of_tolerance(measurement, mean, low, high),
        # AIAG: 1.41 PV/GRR, cut off to a whole number, at least 1.
        categories=max(1, int(1.41 * part / measurement)),
    )


def _of_tolerance(deviation: float, mean: float, low: float | None, high: float | None) -> float | None:
    if low is not None and high is not None:
        return 6 * deviation / (high - low) if high > low else None
    limit = low if low is not None else high
    if limit is None or limit == mean:
        return None
    return 3 * deviation / abs(limit - mean)


def _crossed(measured: list[Measured]) -> np.ndarray[tuple[int, int, int], np.dtype[np.float64]]:
    """Values by part, operator and trial."""
    parts = sorted({part for part, _, _ in measured})
    operators = sorted({operator for _, operator, _ in measured})
    cells: dict[tuple[str, str], list[float]] = {}
    for part, operator, value in measured:
        cells.setdefault((part, operator), []).append(value)
    if len(parts) < 2:
        raise AirquillError("A gauge study needs two parts or more; ten are usual.")
    trials = max(len(cell) for cell in cells.values())
    for part in parts:
        for operator in operators:
            count = len(cells.get((part, operator), []))
            if count != trials or count < 2:
                who = f" by {operator}" if operator else ""
                raise AirquillError(
                    f"Part {part} was measured {count} times{who}, others up to {trials} times. "
                    "A gauge study needs each part equally often by each operator, at least twice."
                )
    return np.array([[cells[part, operator] for operator in operators] for part in parts], dtype=np.float64).reshape(
        (len(parts), len(operators), trials)
    )


def _components(
    values: np.ndarray[tuple[int, int, int], np.dtype[np.float64]],
) -> tuple[list[Row], bool, float, float, float, float]:
    """Table of variance, whether the interaction was pooled; variances: repeatability, operator, interaction, part."""
    parts, operators, trials = values.shape
    mean = values.mean()
    by_part, by_operator, by_cell = values.mean(axis=(1, 2)), values.mean(axis=(0, 2)), values.mean(axis=2)
    part = _row("part", parts - 1, operators * trials * float(((by_part - mean) ** 2).sum()))
    operator = _row("operator", operators - 1, parts * trials * float(((by_operator - mean) ** 2).sum()))
    left = by_cell - by_part[:, None] - by_operator[None, :] + mean
    cross = _row("interaction", (parts - 1) * (operators - 1), trials * float((left**2).sum()))
    error = _row("repeatability", parts * operators * (trials - 1), float(((values - by_cell[:, :, None]) ** 2).sum()))
    crossed = _tested(cross, error)
    pooled = crossed.p is None or crossed.p > POOL_ABOVE_P
    if pooled:
        error = _row("repeatability", cross.df + error.df, cross.ss + error.ss)
        rows = [_tested(part, error), _tested(operator, error), error]
        between = 0.0
        against = error
    else:
        rows = [_tested(part, cross), _tested(operator, cross), crossed, error]
        between = (cross.ms - error.ms) / trials
        against = cross
    by = (operator.ms - against.ms) / (parts * trials) if operators > 1 else 0.0
    return rows, pooled, error.ms, by, between, (part.ms - against.ms) / (operators * trials)


def _row(name: str, df: int, ss: float) -> Row:
    return Row(name, df, ss, ss / df if df else 0.0)


def _tested(row: Row, against: Row) -> Row:
    if not row.df or not against.df or not against.ms:
        return row
    f = row.ms / against.ms
    return Row(row.name, row.df, row.ss, row.ms, f, float(stats.f.sf(f, row.df, against.df)))
