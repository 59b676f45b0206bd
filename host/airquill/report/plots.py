"""Vacuum traces as SVG to be put into a page: nothing in them refers to anything outside."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import Any

import matplotlib
from matplotlib.figure import Figure

from airquill.report.palette import FAINT, INK, LIMIT, MARKS, PAPER, RULE, STATES, VACUUM
from airquill.report.trace import Trace

WIDTH_IN = 8.6
HEIGHT_IN = 3.7
_CLOSE_SHARE = 0.035  # marks nearer to each other than this share of the width go to different rows

# Text as outlines looks the same everywhere; a fixed salt makes the same trace the same file.
_STYLE: Any = {"svg.fonttype": "path", "svg.hashsalt": "airquill", "font.family": "DejaVu Sans", "font.size": 9.0}


def vacuum_svg(trace: Trace, title: str = "") -> str:
    """A trace as an SVG element: vacuum over time, the states of the cycle as washes, marks for pedals, keys and parts,
    and levels as broken lines."""
    return drawn(lambda axes: _draw(axes, trace), title, title or "Vacuum over time")


def drawn(draw: Callable[[Any], None], title: str, label: str, height_in: float = HEIGHT_IN) -> str:
    """What `draw` puts on a pair of matplotlib axes, as an SVG element in the house's style; `label` is what a screen
    reader says."""
    with matplotlib.rc_context(_STYLE):
        figure = Figure(figsize=(WIDTH_IN, height_in), facecolor=PAPER, layout="constrained")
        axes = figure.subplots()
        axes.set_facecolor(PAPER)
        draw(axes)
        if title:
            axes.set_title(title, loc="left", color=INK, fontsize=10, pad=10)
        axes.set_axisbelow(True)
        axes.tick_params(colors=FAINT, length=3)
        for name, spine in axes.spines.items():
            spine.set_visible(name in ("left", "bottom"))
            spine.set_color(RULE)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return _element(out.getvalue(), label)


def _draw(axes: Any, trace: Trace) -> None:
    ends = [*trace.at_s[:1], *trace.at_s[-1:]] or [0.0, 1.0]
    first_s, last_s = ends[0], max(ends[-1], ends[0] + 0.1)
    top = max([10.0, *trace.kpa, *(level for level, _ in trace.levels)]) * 1.12
    axes.set_xlim(first_s, last_s)
    axes.set_ylim(min(0.0, *trace.kpa, 0.0), top * 1.25 if trace.marks else top)
    _draw_states(axes, trace, last_s)
    axes.plot(trace.at_s, trace.kpa, color=VACUUM, linewidth=1.6, solid_joinstyle="round")
    axes.fill_between(trace.at_s, trace.kpa, color=VACUUM, alpha=0.10, linewidth=0)
    for level, meaning in trace.levels:
        axes.axhline(level, color=LIMIT, linewidth=0.9, linestyle=(0, (5, 3)))
        axes.annotate(
            meaning,
            (last_s, level),
            (-3, 2),
            textcoords="offset points",
            ha="right",
            va="bottom",
            color=LIMIT,
            fontsize=8,
        )
    _draw_marks(axes, trace, top, last_s - first_s)
    axes.set_xlabel("s", color=FAINT)
    axes.set_ylabel("kPa below ambient", color=FAINT)
    axes.grid(axis="y", color=RULE, linewidth=0.7)


def _draw_states(axes: Any, trace: Trace, last_s: float) -> None:
    ends = [at for at, _ in trace.states[1:]] + [last_s]
    for (at, state), end in zip(trace.states, ends, strict=False):
        if state in STATES:
            axes.axvspan(at, end, color=STATES[state], alpha=0.7, linewidth=0, zorder=0)
            if end - at > 0.08 * (axes.get_xlim()[1] - axes.get_xlim()[0]):
                axes.annotate(
                    state, ((at + end) / 2, 0), (0, 4), textcoords="offset points", ha="center", color=FAINT, fontsize=8
                )


def _draw_marks(axes: Any, trace: Trace, top: float, width_s: float) -> None:
    row, before_s = 0, float("-inf")
    for at, text in trace.marks:
        row = row + 1 if at - before_s < _CLOSE_SHARE * width_s * 4 else 0
        before_s = at
        colour = MARKS.get(text.partition(" ")[0], INK)
        axes.axvline(at, color=colour, linewidth=0.8, alpha=0.75)
        axes.annotate(
            text,
            (at, top * (1.22 - 0.065 * (row % 4))),
            (3, 0),
            textcoords="offset points",
            va="center",
            color=colour,
            fontsize=7.5,
            annotation_clip=True,
        )


def _element(svg: str, label: str) -> str:
    """The bare <svg> of a file, with a label for those who do not see it."""
    body = svg[svg.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    plain = label.replace("&", "and").replace('"', "'").replace("<", "").replace(">", "")
    return body.replace("<svg", f'<svg role="img" aria-label="{plain}"', 1)
