"""The page of a pedal's bounce: its figures, what to set and why, a histogram, and each press edge by edge."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from airquill.pedals.bounce import Bounce, Burst
from airquill.report.html import page
from airquill.report.palette import FAINT, INK, LIMIT, MARKS, RULE, VACUUM
from airquill.report.plots import drawn

_COLOURS = {"press": VACUUM, "release": MARKS["pedal"], "stray": LIMIT}
_ROWS = 60
_ROW_IN = 0.09


def bounce_page(bounce: Bounce, unit: str, when: str) -> str:
    """A self-contained page. `unit` names the unit and `when` the time of the recording, for people."""
    return page(
        "bounce.html.j2",
        bounce=bounce,
        unit=unit,
        when=when,
        histogram=Markup(_histogram(bounce)),
        rows=Markup(_rows(bounce.found[:_ROWS])),
        shown=min(len(bounce.found), _ROWS),
    )


def _histogram(bounce: Bounce) -> str:
    lengths = {kind: [one.ms for one in bounce.found if one.kind == kind] for kind in ("press", "release")}
    most = max([1.0, bounce.release_ms, *lengths["press"], *lengths["release"]])

    def draw(axes: Any) -> None:
        axes.hist(
            list(lengths.values()),
            bins=40,
            range=(0, most),
            color=[_COLOURS[kind] for kind in lengths],
            label=[*lengths],
        )
        axes.axvline(bounce.release_ms, color=LIMIT, linewidth=0.9, linestyle=(0, (5, 3)))
        axes.annotate(
            f"release_ms {bounce.release_ms}",
            (bounce.release_ms, axes.get_ylim()[1]),
            (-3, -9),
            textcoords="offset points",
            ha="right",
            color=LIMIT,
            fontsize=8,
        )
        axes.set_xlabel("length of a burst, ms", color=FAINT)
        axes.set_ylabel("bursts", color=FAINT)
        axes.yaxis.get_major_locator().set_params(integer=True)
        axes.grid(axis="y", color=RULE, linewidth=0.7)
        axes.legend(frameon=False, labelcolor=INK, fontsize=8)

    return drawn(draw, "How long the contact bounces", "Histogram of burst lengths")


def _rows(found: Sequence[Burst]) -> str:
    def draw(axes: Any) -> None:
        for row, burst in enumerate(found):
            begin = burst.edges[0].us
            for before, after in zip(burst.edges, burst.edges[1:], strict=False):
                if before.closed:
                    axes.plot(
                        [(before.us - begin) / 1000, (after.us - begin) / 1000],
                        [row, row],
                        color=_COLOURS[burst.kind],
                        linewidth=3.2,
                        alpha=0.35,
                        solid_capstyle="butt",
                    )
            axes.plot(
                [(edge.us - begin) / 1000 for edge in burst.edges],
                [row] * len(burst.edges),
                "|",
                color=_COLOURS[burst.kind],
                markersize=4.5,
            )
        axes.set_ylim(max(len(found), 1) - 0.5, -0.5)
        axes.set_yticks([])
        axes.set_xlabel("ms after the first edge", color=FAINT)

    return drawn(draw, "Edge by edge", "Edges of each burst", 1.1 + _ROW_IN * max(len(found), 8))
