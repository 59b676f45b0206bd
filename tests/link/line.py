"""A line with faults, for tests of the client: lines are lost, spoilt, doubled or joined by noise on the way."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from airquill.link.client import Client
from airquill.link.port import Port

Change = Callable[[bytes], list[bytes]]
"""What becomes of a line: the lines that arrive in its place, without their LF."""


def lose(line: bytes) -> list[bytes]:
    return []


def spoil(line: bytes) -> list[bytes]:
    """One bit turned, in the middle."""
    middle = len(line) // 2
    return [line[:middle] + bytes([line[middle] ^ 1]) + line[middle + 1 :]]


def double(line: bytes) -> list[bytes]:
    return [line, line]


class FaultyPort(Port):
    """A port to a virtual unit. `to_unit` and `to_host` hold what becomes of the next lines, first one first.

    Empty lines, which only acknowledge, pass. `sent` counts the other lines that the client wrote.
    """

    def __init__(self, url: str = "sim://") -> None:
        super().__init__(url)
        self.to_unit: list[Change | None] = []
        self.to_host: list[Change | None] = []
        self.after_write: Callable[[bytes], None] | None = None
        self.sent = 0
        self._arrived: list[bytes] = []

    def write(self, data: bytes) -> None:
        for line in data.split(b"\n")[:-1]:
            change = None
            if line:
                self.sent += 1
                change = self.to_unit.pop(0) if self.to_unit else None
            for passed in change(line) if change else [line]:
                super().write(passed + b"\n")
            if line and self.after_write:
                self.after_write(line)

    def read_line(self, timeout_s: float) -> bytes | None:
        end = self.now() + timeout_s
        while not self._arrived:
            left = end - self.now()
            line = super().read_line(left) if left > 0 else None
            if line is None:
                return None
            change = self.to_host.pop(0) if self.to_host else None
            self._arrived += change(line) if change else [line]
        return self._arrived.pop(0)


def faulty_client(url: str = "sim://") -> tuple[Client, Any]:
    """A greeted client and its port, which has no faults yet."""
    port = FaultyPort(url)
    client = Client(port)
    port.sent = 0
    return client, port
