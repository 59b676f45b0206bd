"""The maker's page about a letter: what does not fit together, what differs, one plot, and the draft of a reply."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from airquill.letter.compare import Accepted, Comparison, shown, title_of
from airquill.letter.model import Letter
from airquill.letter.reply import Reply, likelihood
from airquill.report.html import page
from airquill.report.palette import FAINT, INK, LIMIT, RULE, VACUUM
from airquill.report.plots import drawn
from airquill.report.trace import Trace
from airquill.tuning.causes import BY_NAME
from airquill.tuning.diagnose import Diagnosis

_LEAST_SHARE = 0.02


def letter_page(
    letter: Letter, accepted: Accepted | None, found: Comparison, diagnosis: Diagnosis | None, reply: Reply
) -> str:
    """A self-contained page; every text of the letter is escaped."""
    causes = [] if diagnosis is None else list(diagnosis.likelihoods.items())
    plot = _plot(found.sealed, accepted)
    return page(
        "letter.html.j2",
        letter=letter,
        accepted=accepted,
        found=found,
        figures=figure_rows(found),
        causes=[(BY_NAME[name].title, likelihood(share)) for name, share in causes if share >= _LEAST_SHARE],
        strange=diagnosis is not None and diagnosis.strange,
        plot=Markup(plot) if plot else None,
        reply=reply.text(),
    )


def figure_rows(found: Comparison) -> list[tuple[str, str, str, str, str, bool]]:
    """Figures as people read them: title, now, when accepted, limits, other good units, whether it is outside."""
    rows = []
    for row in found.figures:
        limits = " to ".join(shown(row.name, end) for end in (row.low, row.high) if end is not None)
        if row.low is None and row.high is not None:
            limits = f"at most {limits}"
        elif row.high is None and row.low is not None:
            limits = f"at least {limits}"
        others = f"{shown(row.name, row.least)} to {shown(row.name, row.most)}" if row.least is not None else ""
        now, then = shown(row.name, row.now), shown(row.name, row.accepted)
        rows.append((title_of(row.name), now, then, limits, others, row.is_outside))
    return rows


def _plot(now: Trace | None, accepted: Accepted | None) -> str:
    """The pick with the tip closed, now and when accepted; empty where there is none."""
    then = accepted.sealed if accepted is not None else None
    traces = [
        (trace, colour, word) for trace, colour, word in ((then, FAINT, "accepted"), (now, VACUUM, "now")) if trace
    ]
    traces = [(trace, colour, word) for trace, colour, word in traces if trace.at_s]
    if not traces:
        return ""

    def draw(axes: Any) -> None:
        for trace, colour, word in traces:
            axes.plot(trace.at_s, trace.kpa, color=colour, linewidth=1.5, label=word)
        if then is None and accepted is not None and "sealed_kpa" in accepted.figures:
            axes.axhline(accepted.figures["sealed_kpa"], color=LIMIT, linewidth=0.9, linestyle=(0, (5, 3)))
            axes.annotate(
                "when accepted, at sea level",
                (0.0, accepted.figures["sealed_kpa"]),
                (4, 3),
                textcoords="offset points",
                color=LIMIT,
                fontsize=8,
            )
        axes.set_xlabel("s after vacuum on", color=FAINT)
        axes.set_ylabel("kPa below ambient", color=FAINT)
        axes.set_ylim(bottom=min(0.0, *(min(trace.kpa) for trace, _, _ in traces)))
        axes.grid(axis="y", color=RULE, linewidth=0.7)
        axes.legend(frameon=False, labelcolor=INK, fontsize=8)

    return drawn(draw, "One pick with the tip closed", "A pick with the tip closed, now and when accepted", 3.0)
