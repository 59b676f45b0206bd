"""The unit's log in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from airquill.link.catalogue import FAULTS
from airquill.link.entries import Entry
from airquill_device.life import LOG_BOOT, LOG_PART, LOG_REQUEST

_FAULTS = {entry.number: entry for entry in FAULTS}
_OTHERS = {
    LOG_BOOT: "The unit started.",
    LOG_PART: "A part of the firmware failed.",
    LOG_REQUEST: "The firmware failed at a request.",
}


@dataclass(frozen=True)
class LogLine:
    """One entry of the log. `at_s` is in seconds since the start that it belongs to."""

    number: int
    at_s: int
    what: int
    detail: int

    @property
    def word(self) -> str:
        fault = _FAULTS.get(self.what)
        return fault.word if fault else "start" if self.what == LOG_BOOT else f"number {self.what}"

    @property
    def sentence(self) -> str:
        fault = _FAULTS.get(self.what)
        if fault:
            return fault.help
        return _OTHERS.get(self.what, "An entry that this Airquill does not know.")


def log_lines(entries: Sequence[dict[str, int]]) -> list[LogLine]:
    """What `Client.log` gave, oldest first."""
    return [LogLine(entry["number"], entry["at_s"], entry["what"], entry["detail"]) for entry in entries]


def since_start(lines: Sequence[LogLine]) -> list[Entry]:
    """Faults and notices logged since the last start, each once."""
    found: dict[int, Entry] = {}
    for line in lines:
        if line.what == LOG_BOOT:
            found.clear()
        elif line.what in _FAULTS:
            found[line.what] = _FAULTS[line.what]
    return list(found.values())


def fault_of(number: int) -> Entry | None:
    """The registry's entry of a fault or notice, or None when this Airquill does not know it."""
    return _FAULTS.get(number)
