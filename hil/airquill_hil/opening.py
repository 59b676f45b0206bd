"""Sets up a bench around a unit: hands, rig and attendant, of a virtual unit or of the person at a terminal."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import partial

from airquill.link.client import Client
from airquill.link.ready import ask_ready
from airquill.tuning.hands import ControlHands, Hands, PersonHands, control_of
from airquill_hil.attendant import Attendant, ControlAttendant, PersonAttendant
from airquill_hil.bench import Bench
from airquill_hil.limits import Limits
from airquill_hil.rig import Rig, SerialRig, VirtualRig
from airquill_hil.rig_hands import RigHands


@dataclass(frozen=True)
class Terminal:
    """Somebody at a terminal, and how it is shown a sentence. Whatever is shown and typed happens inside `held()`."""

    tell: Callable[[str], None]
    held: Callable[[], AbstractContextManager[None]] = contextlib.nullcontext

    def say(self, sentence: str) -> None:
        """Show a sentence and go on."""
        with self.held():
            self.tell(sentence)

    def wait(self, unit: Client, sentence: str) -> None:
        """Show a sentence and wait for Enter or a pedal. Ctrl-C raises KeyboardInterrupt."""
        with self.held():
            ask_ready(unit, sentence, self.tell)

    def question(self, sentence: str) -> str:
        """Show a sentence and give the line that is typed. Ctrl-C and an ended input raise KeyboardInterrupt."""
        with self.held():
            try:
                return input(f"{sentence} ")
            except EOFError:
                raise KeyboardInterrupt from None


@contextlib.contextmanager
def opened_bench(
    unit: Client, limits: Limits, serial: str, altitude_m: float, rig_url: str | None, terminal: Terminal | None
) -> Iterator[Bench]:
    """The bench around this unit; the unit is safe and the rig closed afterwards.

    A virtual unit brings its own hands, rig and attendant. Else the person at the `terminal` is asked, and the rig's
    hands do what it can. AirquillError when there is no rig at `rig_url`.
    """
    with contextlib.ExitStack() as stack:
        hands: Hands | None = None
        rig: Rig | None = None
        attendant: Attendant | None = None
        measures: SerialRig | None = None
        if rig_url is not None:
            rig = measures = SerialRig.open(rig_url)
            stack.callback(measures.close)
        control = control_of(unit)
        if control is not None:
            stack.callback(control.close)
            hands, attendant = ControlHands(control), ControlAttendant(control)
            rig = rig or VirtualRig(control)
        elif terminal is not None:
            # Ctrl-C at a prompt reaches the run, which makes the unit safe and says it in the record.
            ask = partial(terminal.wait, unit)
            hands, attendant = PersonHands(ask, terminal.say), PersonAttendant(ask, terminal.question)
        if measures is not None and hands is not None:
            hands = RigHands(measures, hands)
        bench = Bench(unit, limits, hands, serial, altitude_m, rig, attendant)
        stack.callback(bench.safe)
        yield bench
