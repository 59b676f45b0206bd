"""The one exception of the protocol: a number from the registry's error list and what it was about."""

from airquill_protocol import tables


class ProtocolError(Exception):
    """A request that cannot be done.

    number: an error number of the registry; subject: the path, word or value that it is about, as text.
    """

    def __init__(self, number: int, subject: str = "") -> None:
        super().__init__(number, subject)
        self.number = number
        self.subject = subject

    def word(self) -> str:
        return tables.ERRORS[self.number][0]

    def sentence(self) -> str:
        """What is wrong, where, and what to do."""
        help_text = tables.ERRORS[self.number][1]
        return self.subject + ": " + help_text if self.subject else help_text
