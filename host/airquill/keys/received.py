"""What the PC receives from a unit's keyboard: from Linux's event devices, or from a virtual unit's captured reports.

Source of the event's form: linux/input.h (struct input_event) and linux/input-event-codes.h. The kernel's HID driver
tells the usage of a key as MSC_SCAN before the key itself, so no table of Linux key codes is needed.
"""

from __future__ import annotations

import contextlib
import os
import select
import struct
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from airquill.errors import AirquillError
from airquill.keys.report import KeyEvent
from airquill.link.discovery import PRODUCT

_EVENT = struct.Struct("@llHHi")
_EV_KEY, _EV_MSC, _MSC_SCAN = 0x01, 0x04, 0x04
_REPEAT = 2
_KEYBOARD_PAGE = 0x0007
_EVIOCSCLOCKID = 0x400445A0  # _IOW('E', 0xa0, int)
_CLOCK_MONOTONIC = 1


def event_device(chip: str, system: Path = Path("/sys/class/input")) -> Path | None:
    """The event device of a unit's keyboard, by its USB product and its chip number; None where there is none.

    With several units, and no chip number to be read, the first is taken.
    """
    found = []
    for folder in sorted(system.glob("event*")):
        with contextlib.suppress(OSError):
            name = (folder / "device/name").read_text().strip()
            # A keyboard's first interface name is its product; the kernel puts the maker before it.
            if PRODUCT not in name:
                continue
            number = (folder / "device/uniq").read_text().strip()
            found.append((number.casefold() != chip.casefold(), Path("/dev/input") / folder.name))
    return min(found)[1] if found else None


@dataclass
class EventDevice:
    """A Linux event device, read as key events. Use as a context manager; times are those of time.monotonic()."""

    path: Path

    def __enter__(self) -> EventDevice:
        """AirquillError when it may not be read."""
        try:
            self._file = os.open(self.path, os.O_RDONLY)
        except OSError as error:
            raise AirquillError(
                f"{self.path} cannot be read: {error.strerror}. Join the group that owns it: "
                "`sudo usermod -aG input $USER`, then log out and in again."
            ) from error
        if sys.platform == "linux":
            import fcntl

            with contextlib.suppress(OSError):  # no such device, but a file of events
                fcntl.ioctl(self._file, _EVIOCSCLOCKID, struct.pack("i", _CLOCK_MONOTONIC))
        self._rest = b""
        self._usage = 0
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._file)

    def events(self, seconds: float) -> Iterator[KeyEvent]:
        """Keys going down and up, for so long; repeats of a key that stays down are left out."""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            ready, _, _ = select.select([self._file], [], [], left)
            if not ready:
                return
            data = os.read(self._file, 64 * _EVENT.size)
            if not data:
                return
            yield from self._read(data)

    def _read(self, data: bytes) -> Iterator[KeyEvent]:
        data = self._rest + data
        whole = len(data) - len(data) % _EVENT.size
        self._rest = data[whole:]
        for second, us, kind, code, value in _EVENT.iter_unpack(data[:whole]):
            if (kind, code) == (_EV_MSC, _MSC_SCAN) and value >> 16 & 0xFFFF == _KEYBOARD_PAGE:
                self._usage = value & 0xFFFF
            elif kind == _EV_KEY and value != _REPEAT:
                yield KeyEvent(second * 1_000_000 + us, self._usage, value == 1)
