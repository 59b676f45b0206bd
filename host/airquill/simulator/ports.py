"""What the virtual board needs of its clock and its serial line; for type checks alone."""

from __future__ import annotations

from typing import Protocol


class Clock(Protocol):
    """Microseconds since the world began."""

    def now(self) -> int: ...

    def spend(self, us: int) -> None: ...

    def wait_until(self, us: int) -> None: ...


class Line(Protocol):
    """The unit's end of a serial line."""

    def read(self, limit: int) -> bytes: ...

    def waiting(self) -> bool: ...

    def room(self) -> int: ...

    def write(self, data: bytes) -> None: ...
