"""A few lines of protocol over any serial line, for tests below the client."""

from typing import Any

from airquill_protocol import frame


class Line:
    def __init__(self, port: Any) -> None:
        self.port = port
        self._id = 0

    def ask(self, body: str) -> str:
        """The reply's body without its id; waits as long as the port's timeout lets it."""
        self._id += 1
        self.port.write(frame.frame(f"{self._id} {body}"))
        while True:
            line = self.port.read_until(b"\n")
            assert line.endswith(b"\n"), f"no reply to {body}: {line!r}"
            state, text = frame.unframe(line[:-1])
            assert state == frame.GOOD, line
            number, _, reply = text.partition(" ")
            if number == str(self._id):
                return str(reply)

    def greet(self) -> dict[str, str]:
        """The greeting's fields; what came before is thrown away."""
        self.port.write(b"\n")
        self.port.reset_input_buffer()
        return fields(self.ask("hello 7"))

    def get(self, path: str) -> str:
        return fields(self.ask(f"get {path}"))[path]


def fields(reply: str) -> dict[str, str]:
    assert reply.startswith("done"), reply
    return dict(field.split("=", 1) for field in frame.split(reply)[1:])
