"""The pages of a batch and of a gauge study: figures, charts, what failed most."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from airquill.quality.batch import Batch, Failures, FigureOver
from airquill.quality.gauge import Gauge, Measured
from airquill.report.html import page
from airquill.report.palette import FAINT, INK, LIMIT, MARKS, OUTCOMES, RULE, VACUUM
from airquill.report.plots import drawn

_DASHES = (0, (5, 3))
_OPERATORS = (VACUUM, MARKS["pedal"], MARKS["key"], MARKS["part"], OUTCOMES["marginal"])


def batch_page(found: Batch, name: str, when: str) -> str:
    """A self-contained page. `name` says which book and runs, `when` the time it was made."""
    charts = [Markup(_chart(figure)) for figure in found.figures if figure.chart is not None]
    pareto = Markup(_pareto(found.failures)) if found.failures else None
    return page("batch.html.j2", batch=found, name=name, when=when, charts=charts, pareto=pareto)


def gauge_page(found: Gauge, measured: Sequence[Measured], name: str, unit: str, when: str) -> str:
    """A self-contained page of a study of the figure `name`."""
    return page(
        "gauge.html.j2", gauge=found, name=name, unit=unit, when=when, plot=Markup(_study(measured, name, unit))
    )


def _chart(figure: FigureOver) -> str:
    made = figure.chart
    assert made is not None

    def draw(axes: Any) -> None:
        order = range(1, len(figure.values) + 1)
        axes.axhspan(made.lower, made.upper, color=VACUUM, alpha=0.07, linewidth=0)
        axes.axhline(made.centre, color=VACUUM, linewidth=0.8)
        for limit, word in ((figure.low, "at least"), (figure.high, "at most")):
            if limit is not None:
                axes.axhline(limit, color=LIMIT, linewidth=0.9, linestyle=_DASHES)
                _beside(axes, len(figure.values), limit, f"{word} {limit:g} {figure.unit}", LIMIT)
        axes.plot(order, figure.values, color=VACUUM, linewidth=0.8, marker="o", markersize=3.2)
        for place, _rule in made.alarms:
            axes.plot(
                [place + 1], [figure.values[place]], "o", color=OUTCOMES["fail"], markersize=5.5, fillstyle="none"
            )
        axes.set_xlim(0.5, len(figure.values) + 0.5)
        axes.set_xlabel("unit, in the order of first tests", color=FAINT)
        axes.set_ylabel(figure.unit, color=FAINT)
        axes.xaxis.get_major_locator().set_params(integer=True)
        axes.grid(axis="y", color=RULE, linewidth=0.7)

    return drawn(draw, figure.name, f"Control chart of {figure.name}", 2.6)


def _beside(axes: Any, x: float, y: float, text: str, colour: str) -> None:
    axes.annotate(text, (x, y), (-3, 2), textcoords="offset points", ha="right", va="bottom", color=colour, fontsize=8)


def _pareto(failures: Sequence[Failures]) -> str:
    def draw(axes: Any) -> None:
        names = [one.name for one in failures]
        rows = range(len(names))
        axes.barh(rows, [one.units for one in failures], color=OUTCOMES["fail"], alpha=0.8, height=0.6)
        for row, one in zip(rows, failures, strict=True):
            axes.annotate(
                f"{one.so_far:.0%} so far",
                (one.units, row),
                (4, 0),
                textcoords="offset points",
                va="center",
                color=FAINT,
                fontsize=8,
            )
        axes.set_yticks(rows, names, color=INK)
        axes.invert_yaxis()
        axes.set_xlim(0, failures[0].units * 1.25)
        axes.xaxis.get_major_locator().set_params(integer=True)
        axes.set_xlabel("units that failed it at their first test", color=FAINT)

    return drawn(draw, "What failed most", "Failures by figure, most first", 0.9 + 0.3 * len(failures))


def _study(measured: Sequence[Measured], name: str, unit: str) -> str:
    parts = sorted({part for part, _, _ in measured})
    operators = sorted({operator for _, operator, _ in measured})

    def draw(axes: Any) -> None:
        for n, operator in enumerate(operators):
            shift = (n - (len(operators) - 1) / 2) * 0.6 / len(operators)
            mine = [(parts.index(part) + shift, value) for part, who, value in measured if who == operator]
            colour = _OPERATORS[n % len(_OPERATORS)]
            axes.plot(*zip(*mine, strict=True), "o", color=colour, markersize=3.6, alpha=0.8, label=operator or "-")
        axes.set_xticks(range(len(parts)), parts, rotation=30 if len(parts) > 6 else 0)
        axes.set_ylabel(unit, color=FAINT)
        axes.grid(axis="y", color=RULE, linewidth=0.7)
        if len(operators) > 1:
            axes.legend(frameon=False, labelcolor=INK, fontsize=8)

    return drawn(draw, f"{name} by unit and operator", f"Measurements of {name}")
