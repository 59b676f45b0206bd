"""Where a simulated unit can have a serial port."""

from __future__ import annotations

from importlib.util import find_spec

from airquill.errors import AirquillError


def require_unix() -> None:
    """AirquillError where there are no Unix terminals."""
    if find_spec("fcntl") is None or find_spec("termios") is None:
        raise AirquillError(
            "This needs a Unix terminal to stand for the unit's serial port, and this system has none. "
            "Run it on Linux or macOS, or in WSL on Windows."
        )
