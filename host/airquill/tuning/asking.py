"""From a checkup to a conclusion: asks where the figures do not say enough, or takes the answers of a file."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

from airquill.errors import AirquillError
from airquill.tuning.causes import HEALTHY
from airquill.tuning.checkup import Checkup
from airquill.tuning.diagnose import SURE, Diagnosis, Evidence, Reference, judged
from airquill.tuning.grounds import check_sealed
from airquill.tuning.model import Model
from airquill.tuning.questions import BY_NAME, ENOUGH, Inquiry, Question, answer_tables, place_of
from airquill.tuning.tool import Tool

_TIMES = 2  # a person is asked the same, since one answer may be wrong
Ask = Callable[[Question], str]
"""Puts a question to somebody and returns the answer; empty when there is none."""


@dataclass(frozen=True)
class Answered:
    """A question and what was said to it."""

    question: Question
    said: str

    @property
    def in_words(self) -> str:
        """The answer for people."""
        return self.question.answers.get(self.said, f"{self.said} {self.question.unit}".strip())


def read_answers(text: str, name: str) -> dict[str, str]:
    """Answers of a file, one a line as `question: answer`; what follows a # is not read. AirquillError names the line.

    `name` is where the text came from.
    """
    found: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), 1):
        line = line.partition("#")[0].strip()
        if not line:
            continue
        asked, colon, said = (part.strip() for part in line.partition(":"))
        if not colon or asked not in BY_NAME:
            raise AirquillError(
                f"{name}, line {number}: write question: answer, where the question is one of {', '.join(BY_NAME)}."
            )
        try:
            place_of(BY_NAME[asked], said)
        except ValueError as error:
            raise AirquillError(f"{name}, line {number}: {error}.") from error
        found[asked] = said
    return found


def from_answers(answers: Mapping[str, str]) -> Ask:
    """Answers that are there already."""
    return lambda question: answers.get(question.name, "")


def hold(inquiry: Inquiry, ask: Ask, tool: Tool | None) -> list[Answered]:
    """Ask until one cause is sure enough or nothing tells more. With a `tool`, vacuum is on where a question needs it,
    and off again after it; without, the answers are there already."""
    done: list[Answered] = []
    while (question := inquiry.next()) is not None:
        if any(one.question.name == question.name for one in done):
            question = replace(question, text=f"Once more, to be sure: {question.text}")
        with _vacuum(question, tool):
            said = ask(question).strip()
        if said:
            inquiry.answer(question, said)
            done.append(Answered(question, said))
        else:
            inquiry.pass_over(question)
    return done


@dataclass(frozen=True)
class Conclusion:
    """A diagnosis, the answers that led to it, and the question that would tell most now; None when none would."""

    diagnosis: Diagnosis
    answered: list[Answered]
    next_question: Question | None


def conclude(model: Model, expected: Reference, found: Checkup, ask: Ask | None, tool: Tool | None) -> Conclusion:
    """Judge a checkup, and ask where it names no cause; without a sensor, ask in any case but a sure one.

    `ask` is None where nobody can be asked; `tool` is the unit, where a person is at it. AirquillError without sensor
    and answer, and when the tip was not closed in the checkup.
    """
    check_sealed(found, expected)
    evidence = Evidence(model, expected, found)
    first = judged(evidence, evidence.logs)
    measured = bool(found.traces) or bool(found.stopped_by)
    if first.named and (measured or first.named != HEALTHY):
        return Conclusion(first, [], None)
    if ask is None and not measured:
        raise AirquillError(
            "Without a vacuum sensor somebody must say what the unit does: run this at a terminal, or write answers "
            "into a file and name it with --answers."
        )
    times = 1 if tool is None else _TIMES
    inquiry = Inquiry(answer_tables(model, expected), evidence.logs, measured, times)
    if ask is None or first.strange:
        return Conclusion(first, [], inquiry.next())
    answered = hold(inquiry, ask, tool)
    if not answered and not measured:
        raise AirquillError(
            "Without a vacuum sensor and without an answer nothing can be said. Answer at least one of the questions."
        )
    # a hand notices less than a sensor: that it found nothing says little
    sure_healthy = SURE if measured else ENOUGH
    return Conclusion(judged(evidence, inquiry.logs, sure_healthy), answered, inquiry.next())


class WithoutSensor(Tool):
    """A unit whose sensor is not to be used."""

    def capabilities(self) -> set[str]:
        """All but the sensor."""
        return super().capabilities() - {"sensor"}


@contextlib.contextmanager
def _vacuum(question: Question, tool: Tool | None) -> Iterator[None]:
    if tool is None or question.pick_pct is None:
        yield
        return
    with tool.settings({"control.mode": "steady"}), tool.vacuum(question.pick_pct, watched=False):
        yield
