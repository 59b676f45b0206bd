"""What the commands that measure a unit share: its hands or a person's, questions to a person, the causes' model."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from typing import TYPE_CHECKING

import typer

from airquill.cli.common import tell

if TYPE_CHECKING:
    from airquill.link.client import Client
    from airquill.tuning.hands import Hands
    from airquill.tuning.model import Model
    from airquill.tuning.questions import Question


def hands_here(unit: Client, stack: ExitStack) -> Hands | None:
    """The unit's own hands, or those of the person at this terminal, or none. The stack gives back what they hold."""
    from airquill.link.ready import ask_ready
    from airquill.tuning.hands import ControlHands, PersonHands, control_of

    control = control_of(unit)
    if control is not None:
        stack.callback(control.close)
        return ControlHands(control)
    if not sys.stdin.isatty():
        return None
    return PersonHands(lambda sentence: ask_ready(unit, sentence, tell), tell)


def ask_person(question: Question) -> str:
    """Put a question to the person at this terminal; empty when it is passed over."""
    from airquill.tuning.questions import place_of

    tell("")
    if question.caution:
        tell(f"Caution: {question.caution}")
    tell(question.text)
    for word, meaning in question.answers.items():
        tell(f"  {word:<8}{meaning}")
    wanted = "a word" if question.answers else f"a number in {question.unit}"
    while True:
        said = str(
            typer.prompt(f"Answer with {wanted}; Enter alone passes over it", default="", show_default=False, err=True)
        )
        if not said.strip():
            return ""
        try:
            place_of(question, said)
        except ValueError as error:
            tell(f"Please {error}.")
            continue
        return said.strip()


def model_here(gauge: int) -> Model:
    """What each cause does with a needle, with a bar while that of an unusual one is computed."""
    from rich.console import Console
    from rich.progress import Progress

    from airquill.tuning.model import model_for

    with Progress(console=Console(stderr=True), disable=not sys.stderr.isatty(), transient=True) as bar:
        task = bar.add_task(f"What each cause does with a {gauge}G needle, computed once", total=1.0, visible=False)
        return model_for(gauge, lambda share: bar.update(task, completed=share, visible=True))
