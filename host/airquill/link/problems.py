"""What can go wrong on the line, each with its sentence."""

from __future__ import annotations

from airquill.errors import AirquillError

NO_UNIT = 3
"""Exit code: no unit, or the link was lost."""


class LinkLost(AirquillError):
    """The line broke: unplugged, or the other end went away."""

    def __init__(self, url: str) -> None:
        super().__init__(f"The link to {url} was lost. Plug the unit in again and repeat the command.", NO_UNIT)


class Silence(LinkLost):
    """The line is there, but the unit did not answer in time."""


class NotAUnit(AirquillError):
    """Something else is at the port. `prompt` when it is a MicroPython prompt."""

    def __init__(self, url: str, prompt: bool) -> None:
        self.prompt = prompt
        super().__init__(
            f"{url} is a MicroPython prompt: Airquill does not run there. If it is a unit, plug it in again; "
            "if it is a bare board, build an image with `airquill image build` and copy it to the board's boot volume."
            if prompt
            else f"{url} does not answer as an Airquill unit. Look with `airquill find` which port is one.",
            NO_UNIT,
        )


class UnitRestarted(AirquillError):
    """The unit restarted while a request was under way: whether it was done is unknown."""

    def __init__(self, verb: str) -> None:
        super().__init__(
            f"The unit restarted during `{verb}`; whether that was done is unknown. Look with `airquill show`.", NO_UNIT
        )


class Refused(AirquillError):
    """The unit answered with an error. `number` and `word` are the registry's."""

    def __init__(self, number: int, word: str, sentence: str) -> None:
        self.number = number
        self.word = word
        # 100s the line, 200s values: what was asked is wrong. From 300 on the unit says no.
        super().__init__(sentence, 2 if number < 300 else 1)


class OddReply(AirquillError):
    """The unit answered in a form that this program does not know. Its firmware is newer, or broken."""

    def __init__(self, what: str, said: str) -> None:
        super().__init__(
            f"The unit answered `{what}` with what this Airquill does not understand: {said[:80]}. "
            "Update Airquill on this PC, or the unit's firmware.",
            NO_UNIT,
        )
