"""How often a diagnosis is right: units with one fault of a kind and strength drawn, and healthy ones.

    python tests/benchmarks/diagnosis.py                    computed units, a few minutes
    python tests/benchmarks/diagnosis.py --parts whole      whole virtual units with their firmware, some ten minutes

Parts: with a sensor against the unit's own baseline, the same against the fleet alone, with questions instead of a
sensor of which one answer in ten is wrong, and on units that the model does not know: bent pump curves, and leaks that
are holes instead of slits.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
for folder in ("host", "protocol", "device", "hil", "tests"):
    sys.path.insert(0, str(ROOT / folder))

import numpy as np  # noqa: E402

from airquill.tuning.causes import CAUSES, HEALTHY  # noqa: E402
from airquill.tuning.diagnose import Diagnosis, Evidence, judged, reference  # noqa: E402
from airquill.tuning.model import Model, model_for  # noqa: E402
from airquill.tuning.questions import ENOUGH, Inquiry, Question, Seen, answer_tables, seen_of  # noqa: E402
from benchmarks.faulty_units import (  # noqa: E402
    GAUGE,
    Drawn,
    Measured,
    computed,
    draw,
    swapped,
    whole,
    without_sensor,
)
from benchmarks.heading import heading  # noqa: E402

OVERSURE = 0.8
CANNOT = "cannot tell"
STRANGE = "strange"
WRONG_ANSWERS = 0.1


@dataclass
class Score:
    """What was said of units. `matrix` counts (true kind, what was named, or CANNOT, or STRANGE); `first` those whose
    likeliest cause was the true one; with more than OVERSURE likelihood, `oversure` are wrong causes, and `missed` are
    units with a fault that were called healthy. `unseen` faults change no reading and are not counted."""

    matrix: Counter[tuple[str, str]] = field(default_factory=Counter)
    first: Counter[str] = field(default_factory=Counter)
    oversure: int = 0
    missed: int = 0
    unseen: int = 0
    asked: int = 0

    @property
    def faulty(self) -> int:
        """Units with a fault that shows."""
        return sum(count for (kind, _), count in self.matrix.items() if kind != HEALTHY)

    @property
    def healthy(self) -> int:
        """Healthy units."""
        return sum(count for (kind, _), count in self.matrix.items() if kind == HEALTHY)

    @property
    def top_share(self) -> float:
        """Of units with a fault that shows, those whose likeliest cause is the true one."""
        return sum(count for kind, count in self.first.items() if kind != HEALTHY) / max(self.faulty, 1)

    @property
    def false_alarms(self) -> float:
        """Of healthy units, those of which a fault was named."""
        said = (HEALTHY, CANNOT, STRANGE)
        wrong = sum(count for (kind, named), count in self.matrix.items() if kind == HEALTHY and named not in said)
        return wrong / max(self.healthy, 1)

    @property
    def named_right(self) -> tuple[int, int, int]:
        """Units with a fault that shows: named right, named wrong (healthy too), not named."""
        right = sum(count for (kind, named), count in self.matrix.items() if kind != HEALTHY and named == kind)
        none = sum(
            count for (kind, named), count in self.matrix.items() if kind != HEALTHY and named in (CANNOT, STRANGE)
        )
        return right, self.faulty - right - none, none

    @property
    def oversure_share(self) -> float:
        """Of all units, those with a wrong cause of more than OVERSURE likelihood."""
        return self.oversure / max(self.faulty + self.healthy, 1)

    def table(self) -> str:
        """The confusion matrix: a row for what was true, a column for what was named."""
        kinds = [cause.name for cause in CAUSES]
        columns = [*kinds, CANNOT, STRANGE]
        width = max(len(name) for name in kinds)
        lines = [" " * width + "".join(f"{number:>4}" for number in range(1, len(columns) + 1))]
        for kind in kinds:
            counts = [self.matrix[kind, named] for named in columns]
            if any(counts):
                lines.append(f"{kind:<{width}}" + "".join(f"{count or '.':>4}" for count in counts))
        lines.append("columns: " + ", ".join(f"{number} {name}" for number, name in enumerate(columns, 1)))
        return "\n".join(lines)


def score(model: Model, units: Sequence[Measured], baseline: bool) -> Score:
    """With a sensor, against each unit's own baseline or against the fleet."""
    found = Score()
    for one in units:
        kind = one.drawn.kind
        if kind != HEALTHY and not one.changed(model):
            found.unseen += 1
            continue
        evidence = Evidence(model, reference(model, one.baseline if baseline else None), one.after)
        _count(found, kind, judged(evidence, evidence.logs))
    return found


def _count(found: Score, kind: str, said: Diagnosis) -> None:
    found.matrix[kind, said.named or (STRANGE if said.strange else CANNOT)] += 1
    found.first[kind] += said.likeliest == kind
    if said.likeliest != kind and not said.strange and said.likelihoods[said.likeliest] > OVERSURE:
        found.oversure += said.likeliest != HEALTHY
        found.missed += said.likeliest == HEALTHY


def score_questions(model: Model, units: Sequence[Drawn], measured: Sequence[Measured], seed: int) -> Score:
    """Without a sensor: what each unit would let a person notice, with one answer in ten wrong."""
    seen = _noticed(model, units, seed)
    chance = np.random.default_rng(seed)
    expected = reference(model)
    tables = answer_tables(model, expected)
    found = Score()
    for number, one in enumerate(measured):
        if one.drawn.kind != HEALTHY and not one.changed(model):
            found.unseen += 1
            continue
        evidence = Evidence(model, expected, without_sensor(one.after))
        inquiry = Inquiry(tables, evidence.logs, sensor=False, times=2)
        while (question := inquiry.next()) is not None:
            inquiry.answer(question, _answer(question, seen, number, chance))
            found.asked += 1
        _count(found, one.drawn.kind, judged(evidence, inquiry.logs, ENOUGH))
    return found


def _answer(question: Question, seen: Seen, number: int, chance: np.random.Generator) -> str:
    value = float(question.sees(seen)[number])
    lies = chance.random() < WRONG_ANSWERS
    if question.answers:
        words = list(question.answers)
        return (
            str(chance.choice([word for n, word in enumerate(words) if n != int(value)])) if lies else words[int(value)]
        )
    read = value + question.sigma * float(chance.standard_normal())
    most = {"kPa": 90.0, "V": 15.0}[question.unit]
    return f"{float(chance.uniform(0.0, most)) if lies else min(max(read, 0.0), most):.2f}"


def _noticed(model: Model, units: Sequence[Drawn], seed: int) -> Seen:
    """What a person notices of each unit, from computing the swaps themselves."""
    ways = swapped(units, seed)

    def column(way: str, figure: str, never: float = 0.0) -> np.ndarray:
        values = [one.figures.get(figure) for one in ways[way]]
        return np.array([never if value is None else value for value in values])

    def gain(way: str) -> np.ndarray:
        parts = [("open_kpa", 0.0, 1.0), ("pull_63_s", 1.6, 0.01), ("let_go_ms", 600.0, 5.0)]
        ratios = [np.maximum(column(way, f, n), low) / np.maximum(column("now", f, n), low) for f, n, low in parts]
        return np.abs(np.log(ratios)).max(axis=0)

    parts = []
    chance = np.random.default_rng(seed)
    for number, one in enumerate(units):
        before = {name: np.array([value or 0.0]) for name, value in ways["made"][number].figures.items()}
        now = {name: column("now", name, 600.0 if name.endswith("ms") else 0.0)[number : number + 1] for name in before}
        parts.append(seen_of(before, now, one.kind, np.array([one.strength]), model, chance))
    joined = {name: np.concatenate([getattr(part, name) for part in parts]) for name in Seen.__dataclass_fields__}
    closed = column("finger", "sealed_kpa") / np.maximum(column("made", "sealed_kpa"), 0.1)
    joined |= {"finger": closed, "sealed_kpa": column("finger", "sealed_kpa")}
    joined |= {"needle_gain": gain("needle"), "filter_gain": gain("filter")}
    return Seen(**joined)


def report(title: str, found: Score, seconds: float) -> None:
    """Print one part."""
    right, wrong, none = found.named_right
    print(f"\n{title} ({seconds:.0f} s)")
    print(f"likeliest cause is the true one: {found.top_share:.1%} of {found.faulty} units whose fault shows")
    print(f"of these named right {right}, wrong {wrong}, not named {none}; {found.unseen} faults change no reading")
    if found.healthy:
        print(f"false alarms: {found.false_alarms:.1%} of {found.healthy} healthy units")
    print(f"with more than {OVERSURE:.0%}: {found.oversure_share:.1%} a wrong cause, {found.missed} missed as healthy")
    if found.asked:
        print(f"questions: {found.asked / max(found.faulty + found.healthy, 1):.1f} a unit")
    print(found.table())


def part_sensor(model: Model, faulty: int, healthy: int, seed: int) -> dict[str, Score]:
    """With a sensor."""
    units = computed(draw(faulty, healthy, seed), seed)
    return {
        "Computed units, against their baseline": score(model, units, baseline=True),
        "Computed units, against the fleet": score(model, units, baseline=False),
    }


def part_questions(model: Model, faulty: int, healthy: int, seed: int) -> dict[str, Score]:
    """With questions instead of a sensor."""
    kinds = [cause.name for cause in CAUSES if not cause.sensor and cause.name != HEALTHY]
    units = draw(faulty, healthy, seed, kinds=kinds)
    found = score_questions(model, units, computed(units, seed), seed)
    return {"Without a sensor, one answer in ten wrong": found}


def part_bent(model: Model, faulty: int, healthy: int, seed: int) -> dict[str, Score]:
    """Pumps whose curves the model does not know."""
    units = computed(draw(faulty, healthy, seed, bent=0.6), seed)
    return {
        "Pumps with bent curves, against their baseline": score(model, units, baseline=True),
        "Pumps with bent curves, against the fleet": score(model, units, baseline=False),
    }


def part_holes(model: Model, faulty: int, healthy: int, seed: int) -> dict[str, Score]:
    """Leaks of a law that the model does not know."""
    units = computed(draw(faulty // 2, 0, seed, kinds=["leak"]), seed, holes=True)
    return {"Leaks that are holes, against their baseline": score(model, units, baseline=True)}


def part_whole(model: Model, faulty: int, healthy: int, seed: int) -> dict[str, Score]:
    """With a sensor, on whole virtual units."""
    units = [whole(one) for one in draw(faulty, healthy, seed)]
    return {
        "Whole virtual units, against their baseline": score(model, units, baseline=True),
        "Whole virtual units, against the fleet": score(model, units, baseline=False),
    }


PARTS = {
    "sensor": part_sensor,
    "questions": part_questions,
    "bent": part_bent,
    "holes": part_holes,
    "whole": part_whole,
}


def main() -> None:
    """Print the parts that were asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--faulty", type=int, default=300)
    parser.add_argument("--healthy", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--parts", nargs="+", choices=PARTS, default=[name for name in PARTS if name != "whole"])
    wanted = parser.parse_args()
    heading()
    model = model_for(GAUGE)
    for name in wanted.parts:
        begun = time.monotonic()
        for title, found in PARTS[name](model, wanted.faulty, wanted.healthy, wanted.seed).items():
            report(title, found, time.monotonic() - begun)


if __name__ == "__main__":
    main()
