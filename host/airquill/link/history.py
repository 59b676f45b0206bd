"""The unit's log in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from airquill.link.catalogue import FAULTS
from airquill.link.entries import Entry
from airquill_device.life import KINDS, LOG_ADDON, LOG_BOOT, LOG_PART, LOG_REQUEST

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
    addon: str = ""  # the one that an entry of this start is about

    @property
    def word(self) -> str:
        fault = _FAULTS.get(self.what)
        others = {LOG_BOOT: "start", LOG_ADDON: "add-on"}
        return fault.word if fault else others.get(self.what, f"number {self.what}")

    @property
    def sentence(self) -> str:
        fault = _FAULTS.get(self.what)
        if fault:
            return fault.help
        if self.what == LOG_ADDON:
            kind = self.detail % 256
            why = KINDS[kind - 1].__name__ if 0 < kind <= len(KINDS) else "an exception of another kind"
            return f"{self.addon or 'An add-on'} failed and was switched off: {why}."
        return _OTHERS.get(self.what, "An entry that this Airquill does not know.")


def log_lines(entries: Sequence[dict[str, int]], addons: Sequence[str] = ()) -> list[LogLine]:
    """What `Client.log` gave, oldest first. `addons` are those that the unit has now, which need not be those that it
    had in an earlier start."""
    last_start = max((place for place, entry in enumerate(entries) if entry["what"] == LOG_BOOT), default=0)
    lines = []
    for place, entry in enumerate(entries):
        number = entry["detail"] // 256
        is_named = entry["what"] == LOG_ADDON and place > last_start and number < len(addons)
        name = f"x.{addons[number]}" if is_named else ""
        lines.append(LogLine(entry["number"], entry["at_s"], entry["what"], entry["detail"], name))
    return lines


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
