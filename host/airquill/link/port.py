"""A serial line to a unit: any pyserial URL, opened with sentences for what can go wrong, read line by line.

Times are on the line's own clock: a simulated unit runs in virtual time, and its line object offers `clock()` and
`sleep(seconds)`; every other line lives in real time.
"""

from __future__ import annotations

import contextlib
import errno
import time
from typing import Any

import serial

import airquill.simulator  # noqa: F401  registers sim://
from airquill.errors import AirquillError
from airquill.link.problems import NO_UNIT, LinkLost
from airquill_protocol import tables

_POLL_S = 0.05
_WRITE_S = 2.0
_SHORTEST_S = 1e-6  # a line in virtual time counts in us: less than that would never pass
_MOST_BUFFERED = 64 * 1024


class Port:
    """An open line. `url` is what it was opened by."""

    def __init__(self, url: str) -> None:
        """Open `url`. Raises AirquillError (exit code 3) when it is not there, not allowed or in use."""
        self.url = url
        self._pending = bytearray()
        # Behind a server each change of a timeout negotiates the whole port anew, which takes tens of milliseconds.
        self._served = url.lower().startswith("rfc2217:")
        try:
            # A write that blocks for seconds means that nobody reads at the other end; pyserial's RFC 2217 cannot tell.
            write_s = None if self._served else _WRITE_S
            self._serial: Any = serial.serial_for_url(
                url, timeout=_POLL_S, write_timeout=write_s, exclusive=_exclusive(url)
            )
        except (serial.SerialException, ValueError, OSError) as error:
            raise AirquillError(_why_not_open(url, error), NO_UNIT) from error

    @property
    def raw(self) -> Any:
        """The pyserial object, for what only it can do (a simulated unit's `unit`)."""
        return self._serial

    def now(self) -> float:
        """Seconds on the line's clock."""
        clock = getattr(self._serial, "clock", None)
        return float(clock()) if clock else time.monotonic()

    def sleep(self, seconds: float) -> None:
        pause = getattr(self._serial, "sleep", None)
        if pause:
            pause(seconds)
        else:
            time.sleep(seconds)

    def write(self, data: bytes) -> None:
        """Send bytes. Raises LinkLost."""
        try:
            self._serial.write(data)
        except (serial.SerialException, OSError) as error:
            raise LinkLost(self.url) from error

    def read_line(self, timeout_s: float) -> bytes | None:
        """The next line without its LF, or None when none came in time. Raises LinkLost."""
        end = self.now() + timeout_s
        while True:
            line, found, rest = bytes(self._pending).partition(b"\n")
            if found:
                self._pending[:] = rest
                return line
            left = end - self.now()
            if left <= 0:
                return None
            self._fill(min(max(left, _SHORTEST_S), _POLL_S))

    def pending(self) -> bytes:
        """What has come of a line that has not ended yet: a prompt, for example."""
        return bytes(self._pending)

    def discard(self) -> None:
        """Throw away what has come."""
        self._pending.clear()

    def _fill(self, timeout_s: float) -> None:
        try:
            if not self._served:
                self._serial.timeout = timeout_s
            data = self._serial.read(max(1, self._serial.in_waiting))
        except (serial.SerialException, OSError, TypeError) as error:
            raise LinkLost(self.url) from error
        self._pending += data
        if len(self._pending) > _MOST_BUFFERED:
            # No line of the protocol is this long: keep the end, where a line may still begin.
            del self._pending[: -tables.LINE_BYTES]

    def close(self) -> None:
        with contextlib.suppress(serial.SerialException, OSError):
            self._serial.close()


def _exclusive(url: str) -> bool | None:
    """Two programs on one line would take each other's replies; only a plain device can be locked."""
    return None if "://" in url else True


def _why_not_open(url: str, error: Exception) -> str:
    code = getattr(error, "errno", None)
    text = str(error)
    if "://" in url and (isinstance(error, ValueError) or code is None):
        return f"The port {url} cannot be opened: {text.rstrip('.')}."
    if code == errno.EACCES or "Permission denied" in text:
        return (
            f"You may not open {url}. On Linux join the group that owns it: "
            "`sudo usermod -aG dialout $USER`, then log out and in again."
        )
    if code in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK) or "exclusively lock" in text:
        return f"The port {url} is in use by another program. Close that one, then repeat the command."
    if code in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return f"There is no port {url}. Plug the unit in, or look with `airquill find`."
    return f"The port {url} cannot be opened: {text.rstrip('.')}."
