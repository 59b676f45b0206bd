"""What tuning found, as rows for a table and as a page: parameters, settings before and after, plots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from airquill.link.catalogue import SETTINGS
from airquill.profile.written import written
from airquill.report.html import page
from airquill.report.palette import FAINT, INK, LIMIT, MARKS, OUTCOMES, RULE, VACUUM
from airquill.report.plots import drawn
from airquill.tuning.expected import TIMES_S
from airquill.tuning.prospect import Outlook, Prospect
from airquill.tuning.recommend import Recommendation
from airquill.twin.file import Number, Twin
from airquill.twin.measurement import KINDS, PULL_DOWN, VENT
from airquill.twin.parameters import AIR, DELAYS, Parameter, needle_parameter

_ENTRIES = {entry.path: entry for entry in SETTINGS}
_COLOURS = (VACUUM, MARKS["pedal"], MARKS["key"], MARKS["part"], OUTCOMES["marginal"])
_DUTIES = tuple(step / 100.0 for step in range(20, 101, 2))
_TITLES = {
    PULL_DOWN: "Pull-down: sealed tip, from the moment the valve is told to join it to the idling pump",
    VENT: "Vent: from the moment the valve is told to let go",
    "decay": "Decay: tip sealed, valve on, pump stopped",
}


@dataclass(frozen=True)
class Row:
    """A parameter for people."""

    name: str
    meaning: str
    value: str
    interval: str
    told: bool
    why: str


def parameter_rows(twin: Twin) -> list[Row]:
    """All parameters with their intervals; where one was not told, why."""
    pairs: list[tuple[Parameter, Number]] = [(one, twin.parameters[one.name]) for one in AIR + DELAYS]
    pairs += [(needle_parameter(int(gauge)), number) for gauge, number in sorted(twin.needles.items())]
    return [
        Row(
            one.name,
            one.meaning,
            f"{_short(number.value)} {one.unit}".rstrip(),
            f"{_short(number.low)} to {_short(number.high)}",
            number.told,
            "" if number.told else number.why,
        )
        for one, number in pairs
    ] + _pump_rows(twin)


def _pump_rows(twin: Twin) -> list[Row]:
    """What was found by trying, between two duties."""
    rows = []
    for name, meaning, low, high in (
        ("floor_pct", "Pump: duty below which it stalls", twin.stalls_pct, twin.runs_pct),
        ("start_pct", "Pump: duty at which it starts from standing", twin.stays_pct, twin.starts_pct),
    ):
        if low is not None and high is not None:
            rows.append(Row(name, meaning, f"{(low + high) / 2:g} %", f"{low:g} to {high:g}", True, ""))
        else:
            rows.append(Row(name, meaning, "-", "-", False, "it was not tried"))
    return rows


def _short(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"


def setting_rows(advice: Recommendation) -> list[tuple[str, str, str, str]]:
    """Setting, now, recommended, why; what stays says so."""
    return [
        (
            one.path,
            written(_ENTRIES[one.path], one.now),
            written(_ENTRIES[one.path], one.wanted) if one.changes else "stays",
            one.reason,
        )
        for one in advice.advice
    ]


def before_rows(advice: Recommendation) -> list[tuple[str, ...]]:
    """For each preset a row of now and one of then, computed from the twin."""
    rows: list[tuple[str, ...]] = []
    for use in advice.uses:
        rows.append((f"{use.preset} ({use.name})", "now", *_prospect(use.before)))
        rows.append(("", "then", *_prospect(use.after)))
    return rows


def _prospect(one: Prospect) -> tuple[str, ...]:
    return (
        f"{one.strength_pct:g} %",
        f"{one.open_kpa:.1f} kPa",
        f"{one.part_kpa:.1f} kPa",
        f"{one.sealed_kpa:.1f} kPa",
        f"{one.gap_kpa:.1f} kPa",
        "never" if one.pick_s is None else f"{1000 * one.pick_s:.0f} ms",
    )


def tune_page(twin: Twin, advice: Recommendation | None) -> str:
    """A self-contained page; without advice it is that of a measurement which does not fit."""
    outlook = Outlook(twin)
    plots = [Markup(_levels(twin, outlook, advice))]
    if twin.recordings:
        fitted = outlook.traces()
        plots += [Markup(_recording(twin, kind, fitted[kind])) for kind in KINDS]
    return page(
        "tune.html.j2",
        twin=twin,
        advice=advice,
        rows=parameter_rows(twin),
        settings=setting_rows(advice) if advice else [],
        presets=before_rows(advice) if advice else [],
        plots=plots,
    )


def _levels(twin: Twin, outlook: Outlook, advice: Recommendation | None) -> str:
    """Levels over duty, measured and fitted; where presets stand, now and then."""
    needles = sorted({level.needle for level in twin.levels})

    def draw(axes: Any) -> None:
        groups: list[tuple[str, bool, int]] = [("tip sealed", True, needles[0])]
        groups += [(f"{gauge}G, tip open", False, gauge) for gauge in needles]
        duties = [duty for duty in _DUTIES if 100.0 * duty >= (twin.runs_pct or 0.0)]
        for n, (label, sealed, gauge) in enumerate(groups):
            colour = _COLOURS[n % len(_COLOURS)]
            axes.plot(
                [100 * duty for duty in duties], outlook.curve(gauge, sealed, duties), color=colour, linewidth=1.2
            )
            seen = [one for one in twin.levels if one.sealed == sealed and (sealed or one.needle == gauge)]
            axes.plot(
                [one.duty_pct for one in seen], [one.kpa for one in seen], "o", color=colour, markersize=4, label=label
            )
        if twin.runs_pct:
            axes.axvline(twin.runs_pct, color=LIMIT, linewidth=0.9, linestyle=(0, (5, 3)))
            axes.annotate("floor", (twin.runs_pct, 0), (3, 4), textcoords="offset points", color=LIMIT, fontsize=8)
        _mark_presets(axes, advice, needles)
        axes.set_xlim(15, 102)
        axes.set_ylim(bottom=min(0.0, *(one.kpa for one in twin.levels)))
        axes.set_xlabel("pump duty, %", color=FAINT)
        axes.set_ylabel("kPa below ambient", color=FAINT)
        axes.grid(axis="y", color=RULE, linewidth=0.7)
        axes.legend(frameon=False, labelcolor=INK, fontsize=8, loc="lower right")

    return drawn(draw, "Levels: measured (dots) and fitted (lines)", "Vacuum over pump duty")


def _mark_presets(axes: Any, advice: Recommendation | None, needles: Sequence[int]) -> None:
    for use in advice.uses if advice else ():
        if use.after.gauge not in needles:
            continue
        for one, word, colour in ((use.before, "now", FAINT), (use.after, "then", INK)):
            axes.plot([one.strength_pct] * 2, [one.open_kpa, one.sealed_kpa], color=colour, linewidth=2.4, alpha=0.6)
            axes.annotate(
                f"{use.after.gauge}G {word}",
                (one.strength_pct, one.open_kpa),
                (4, 6),
                textcoords="offset points",
                color=colour,
                fontsize=8,
            )


def _recording(twin: Twin, kind: str, fitted: Sequence[float]) -> str:
    delay_ms = {PULL_DOWN: twin.parameters["on_ms"].value, VENT: twin.parameters["off_ms"].value}.get(kind, 0.0)
    late_s = delay_ms / 1000.0 + twin.measurement().age_s

    def draw(axes: Any) -> None:
        seen = [one for one in twin.recordings if one.kind == kind]
        for one in seen:
            axes.plot(one.at_s, one.kpa, "o", color=VACUUM, markersize=3, alpha=0.5)
        last_s = max((one.at_s[-1] for one in seen), default=1.0)
        line = [(at + late_s, kpa) for at, kpa in zip(TIMES_S, fitted, strict=True) if at + late_s <= last_s]
        axes.plot([at for at, _ in line], [kpa for _, kpa in line], color=INK, linewidth=1.1)
        axes.set_xlim(0.0, last_s)
        axes.set_xlabel("s", color=FAINT)
        axes.set_ylabel("kPa below ambient", color=FAINT)
        axes.grid(axis="y", color=RULE, linewidth=0.7)

    return drawn(draw, _TITLES[kind], f"{kind}: measured and fitted", 2.8)
