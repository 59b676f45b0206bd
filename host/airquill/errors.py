"""The error that is shown to a person."""

from __future__ import annotations


class AirquillError(Exception):
    """Something a person can put right: one or two sentences saying what is wrong, where, and what to do.

    The command line prints `sentence` and leaves with `exit_code`: 1 the answer is no, 2 bad input, 3 no unit or link
    lost.
    """

    def __init__(self, sentence: str, exit_code: int = 2) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.exit_code = exit_code
