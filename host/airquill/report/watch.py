"""The page of a recording: all of it, its beginning and end close up, rises and let-gos over each other, figures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from markupsafe import Markup

from airquill.live.picks import Pick
from airquill.live.recording import Recording
from airquill.live.trend import SET, Notice
from airquill.report.html import page
from airquill.report.palette import FAINT, INK, LIMIT, RULE, VACUUM
from airquill.report.plain import printable
from airquill.report.plots import drawn, vacuum_svg
from airquill.report.trace import Trace

PICK_TITLES = ("No.", "At", "Preset", "On for", "Level", "Rise", "Pull-down", "Let-go", "Vent", "What came of it")
_CLOSE_S = 60.0
_MOST_POINTS = 1600  # of a curve that is drawn: twice the pixels across
_MOST_WASHED = 80  # picks whose states are drawn as washes
_MOST_ROWS = 500
_RISE_S = 1.0
_LET_GO_S = 0.25


def pick_row(pick: Pick) -> tuple[str, ...]:
    """A pick as people read it, under PICK_TITLES."""
    remark = ", ".join(part for part in (pick.outcome, "from standstill" if pick.from_standstill else "") if part)
    return (
        str(pick.number),
        f"{pick.at_s:.1f} s",
        f"{pick.preset}, {pick.strength_pct:g} %",
        f"{pick.on_s:.2f} s",
        _shown(pick.level_kpa, "kPa", 1),
        _shown(pick.rise_s, "s", 3),
        _shown(pick.pull_down_s(), "s", 3),
        _shown(pick.let_go_ms, "ms", 0),
        _shown(pick.vent_ms, "ms", 0),
        remark,
    )


def _shown(value: float | None, unit: str, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f} {unit}"


def watch_page(recording: Recording, notices: Sequence[Notice], cannot_tell: Sequence[str]) -> str:
    """A self-contained page of a recording."""
    header, trace = recording.header, recording.trace
    return page(
        "watch.html.j2",
        name=printable(header.serial or header.chip),
        header={name: printable(str(value)) for name, value in header.model_dump().items()},
        recording=recording,
        notices=notices,
        cannot_tell=cannot_tell,
        plots=[Markup(svg) for svg in _plots(recording)] if trace.at_s else [],
        titles=PICK_TITLES,
        count=len(recording.picks),
        rows=[pick_row(pick) for pick in recording.picks[-_MOST_ROWS:]],
    )


def _plots(recording: Recording) -> list[str]:
    trace, picks = recording.trace, recording.picks
    found = [vacuum_svg(_thinned(trace, washed=len(picks) <= _MOST_WASHED), title="All of it")]
    last_s = trace.at_s[-1]
    if last_s > 2 * _CLOSE_S:
        found.append(vacuum_svg(_cut(trace, 0.0, _CLOSE_S), title="The first minute"))
        found.append(vacuum_svg(_cut(trace, last_s - _CLOSE_S, last_s), title="The last minute"))
    if picks:
        found.append(_laid_over(recording, "Rises", "s after vacuum on", lambda pick: pick.at_s, _RISE_S))
        found.append(
            _laid_over(recording, "Let-gos", "s after the release", lambda pick: pick.at_s + pick.on_s, _LET_GO_S)
        )
    for name, unit, figure in _FIGURES:
        if sum(figure(pick) is not None for pick in picks) > 1:
            found.append(_over_picks(picks, name, unit, figure))
    return found


_FIGURES: tuple[tuple[str, str, Callable[[Pick], float | None]], ...] = (
    ("Level", "kPa", lambda pick: pick.level_kpa),
    ("Pull-down to 40 kPa, worked out from level and rise", "s", lambda pick: pick.pull_down_s()),
    ("Let-go, from the release to 5 kPa", "ms", lambda pick: pick.let_go_ms),
)


def _thinned(trace: Trace, washed: bool) -> Trace:
    """The trace with the lowest and highest sample of each short time, which look the same."""
    group = -(-len(trace.at_s) // (_MOST_POINTS // 2))
    if group <= 2:
        return Trace(trace.at_s, trace.kpa, trace.states if washed else [])
    found = Trace(states=trace.states if washed else [])
    for first in range(0, len(trace.at_s), group):
        places = range(first, min(first + group, len(trace.at_s)))
        ends = {min(places, key=trace.kpa.__getitem__), max(places, key=trace.kpa.__getitem__)}
        found.at_s += [trace.at_s[place] for place in sorted(ends)]
        found.kpa += [trace.kpa[place] for place in sorted(ends)]
    return found


def _cut(trace: Trace, from_s: float, to_s: float) -> Trace:
    inside = [place for place, at in enumerate(trace.at_s) if from_s <= at <= to_s]
    before = [(at, state) for at, state in trace.states if at < from_s][-1:]
    return Trace(
        [trace.at_s[place] for place in inside],
        [trace.kpa[place] for place in inside],
        [(from_s, state) for _, state in before] + [(at, s) for at, s in trace.states if from_s <= at <= to_s],
        [(at, text) for at, text in trace.marks if from_s <= at <= to_s],
    )


def _laid_over(recording: Recording, title: str, label: str, zero_of: Callable[[Pick], float], seconds: float) -> str:
    """The first and the last picks over each other, each from its own zero."""
    picks, trace = recording.picks, recording.trace
    sets = [(picks[:SET], VACUUM, "the first")]
    if len(picks) > SET:
        sets.append((picks[-min(SET, len(picks) - SET) :], LIMIT, "the last"))

    def draw(axes: Any) -> None:
        for some, colour, word in sets:
            for n, pick in enumerate(some):
                cut = _cut(trace, zero_of(pick) - 0.05, zero_of(pick) + seconds)
                axes.plot(
                    [at - zero_of(pick) for at in cut.at_s],
                    cut.kpa,
                    color=colour,
                    linewidth=0.9,
                    alpha=0.6,
                    label=f"{word} {len(some)}" if n == 0 else None,
                )
        axes.set_xlim(-0.05, seconds)
        axes.set_xlabel(label, color=FAINT)
        axes.set_ylabel("kPa below ambient", color=FAINT)
        axes.grid(axis="y", color=RULE, linewidth=0.7)
        if len(sets) > 1:
            axes.legend(frameon=False, labelcolor=INK, fontsize=8)

    return drawn(draw, title, f"{title} of the first and the last picks", 2.8)


def _over_picks(picks: Sequence[Pick], name: str, unit: str, figure: Callable[[Pick], float | None]) -> str:
    shown = [(pick.number, value) for pick in picks if (value := figure(pick)) is not None]

    def draw(axes: Any) -> None:
        axes.plot(*zip(*shown, strict=True), "o", color=VACUUM, markersize=3.2)
        axes.set_xlabel("pick", color=FAINT)
        axes.set_ylabel(unit, color=FAINT)
        axes.set_ylim(0, max(value for _, value in shown) * 1.15)
        axes.xaxis.get_major_locator().set_params(integer=True)
        axes.grid(axis="y", color=RULE, linewidth=0.7)

    return drawn(draw, name, f"{name} over the picks", 2.2)
