"""A diagnosis in words and rows, for terminal and page alike."""

from __future__ import annotations

from dataclasses import dataclass

from airquill.tuning.causes import BY_NAME, HEALTHY
from airquill.tuning.checkup import Checkup
from airquill.tuning.diagnose import SURE, Diagnosis
from airquill.tuning.features import FEATURES


@dataclass(frozen=True)
class Row:
    """A figure as people read it, and its distances in standard deviations."""

    title: str
    now: str
    expected: str
    healthy_sigmas: float
    cause_sigmas: float | None


def rows(found: Checkup, said: Diagnosis) -> list[Row]:
    """The figures of a checkup that were compared, in their order."""
    out = []
    for feature in FEATURES:
        name = feature.figure
        if name not in said.against_healthy:
            continue
        value = found.figures.get(name)
        now = f"{value:.3g} {feature.unit}" if value is not None else "never"
        expected = f"{said.healthy[name]:.3g} {feature.unit}"
        out.append(Row(feature.title, now, expected, said.against_healthy[name], said.against_likeliest.get(name)))
    return out


def sentence(said: Diagnosis) -> str:
    """The result in one sentence."""
    if said.strange:
        return (
            "Something that this program does not know: the figures are unlike a healthy unit and unlike every cause "
            "in the list."
        )
    if said.named == HEALTHY:
        return "Nothing wrong was found."
    if said.named:
        return f"{_upper(BY_NAME[said.named].title)} ({percent(said.likelihoods[said.named])})."
    likely = [name for name in said.likelihoods if name != HEALTHY or said.likelihoods[name] > 1 - SURE][:2]
    first, second = (f"{BY_NAME[name].title} ({percent(said.likelihoods[name])})" for name in likely)
    return f"Cannot tell: {first}, or {second}."


def percent(share: float) -> str:
    """A likelihood for people: nothing here is certain."""
    return "over 99 %" if share > 0.99 else "under 1 %" if share < 0.01 else f"{share * 100:.0f} %"


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]
