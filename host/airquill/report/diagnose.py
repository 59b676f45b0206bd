"""The page of a diagnosis: what is likely and what to do, the figures as evidence, the traces behind them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from airquill.report.html import page
from airquill.report.palette import FAINT, INK, LIMIT, OUTCOMES, RULE, VACUUM
from airquill.report.plots import drawn
from airquill.report.trace import Trace
from airquill.tuning.asking import Answered
from airquill.tuning.causes import BY_NAME, HEALTHY
from airquill.tuning.checkup import Checkup, sea_level_factor
from airquill.tuning.diagnose import Diagnosis
from airquill.tuning.sequence import OPEN, OPEN_PART, SEALED, SEALED_PART
from airquill.tuning.told import percent, rows, sentence

_LEAST_SHARE = 0.003
_NORMAL = 2.0
_MOST_SIGMAS = 30.0
_LINE_IN = 0.25


def diagnosis_page(found: Checkup, said: Diagnosis, answered: Sequence[Answered], unit: str) -> str:
    """A self-contained page; `unit` names the unit for people."""
    cause = BY_NAME[said.named] if said.named else None
    shown = [(BY_NAME[name], percent(share)) for name, share in said.likelihoods.items() if share >= _LEAST_SHARE]
    figures = rows(found, said)
    return page(
        "diagnose.html.j2",
        found=found,
        said=said,
        sentence=sentence(said),
        cause=cause,
        colour=OUTCOMES["pass" if said.named == HEALTHY else "fail" if said.named else "marginal"],
        shown=shown,
        rows=figures,
        against=BY_NAME[said.likeliest_fault].title,
        answered=answered,
        unit=unit,
        evidence=Markup(evidence_svg(found, said)) if figures else "",
        traces=Markup(_traces(found, said)) if SEALED.name in found.traces else "",
    )


def evidence_svg(found: Checkup, said: Diagnosis) -> str:
    """Each figure in its standard deviations: how far from healthy, how far from what the likeliest cause leads to."""
    figures, cause = rows(found, said), BY_NAME[said.likeliest_fault].title

    def draw(axes: Any) -> None:
        axes.axvspan(-_NORMAL, _NORMAL, color=OUTCOMES["pass"], alpha=0.13, linewidth=0)
        axes.axvline(0, color=RULE, linewidth=0.8)
        for place, row in enumerate(figures):
            healthy = _cut(row.healthy_sigmas)
            axes.plot([0, healthy], [place, place], color=FAINT, linewidth=0.8)
            axes.plot(healthy, place, "o", color=VACUUM, markersize=6, label="healthy" if not place else None)
            if row.cause_sigmas is not None:
                label = cause if not place else None
                axes.plot(_cut(row.cause_sigmas), place, "D", color=LIMIT, markersize=5, label=label)
        axes.set_yticks(range(len(figures)), [row.title for row in figures])
        axes.set_ylim(len(figures) - 0.4, -0.6)
        axes.set_xscale("symlog", linthresh=_NORMAL)
        most = max(3.0, *(abs(_cut(row.healthy_sigmas)) for row in figures)) * 1.3
        axes.set_xlim(-most, most)
        ticks = [tick for tick in (-30, -10, -5, -2, 0, 2, 5, 10, 30) if abs(tick) <= most]
        axes.set_xticks(ticks, [f"{tick:+d}" if tick else "0" for tick in ticks])
        axes.set_xticks([], minor=True)
        axes.set_xlabel("standard deviations from what is expected", color=FAINT)
        axes.legend(frameon=False, labelcolor=INK, fontsize=8, title="compared with", loc="best")

    return drawn(
        draw,
        "How far each figure is from healthy, and from the likeliest cause",
        "Figures in standard deviations",
        1.2 + _LINE_IN * len(figures),
    )


def _cut(sigmas: float) -> float:
    return max(-_MOST_SIGMAS, min(_MOST_SIGMAS, sigmas))


def _traces(found: Checkup, said: Diagnosis) -> str:
    """The four picks that levels are read from, with the levels that this unit should have."""
    shown = [
        (SEALED, "sealed_kpa", VACUUM, "-"),
        (SEALED_PART, "sealed_part_kpa", VACUUM, ":"),
        (OPEN, "open_kpa", LIMIT, "-"),
        (OPEN_PART, "open_part_kpa", LIMIT, ":"),
    ]

    factor = sea_level_factor(found.altitude_m)

    def draw(axes: Any) -> None:
        for pick, figure, colour, style in shown:
            if pick.name not in found.traces:
                continue
            trace = Trace.of_json(found.traces[pick.name])
            axes.plot(trace.at_s, trace.kpa, color=colour, linestyle=style, linewidth=1.5, label=pick.name)
            healthy = said.healthy[figure] / factor  # the trace is as the sensor saw it here
            axes.axhline(healthy, color=colour, linestyle=(0, (1, 4)), linewidth=1.0)
        axes.set_xlabel("s", color=FAINT)
        axes.set_ylabel("kPa below ambient", color=FAINT)
        axes.grid(axis="y", color=RULE, linewidth=0.7)
        axes.legend(frameon=False, labelcolor=INK, fontsize=8, loc="lower center", ncols=2)

    return drawn(draw, "Picks of the checkup; dotted, the levels of this unit when healthy", "Vacuum over time")
