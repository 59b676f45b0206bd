"""Captured keyboard reports read as a PC reads them. Knows nothing of stroke programs, so it can judge them.

Source: USB HID 1.11, appendix B.1 and C (boot keyboard report): modifier byte, a reserved byte, six usages; an array
full of 0x01 means that too many keys are down and leaves everything as it was.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from airquill.errors import AirquillError
from airquill.keys.layouts import layout as find_layout
from airquill.keys.usages import FIRST_MODIFIER, is_modifier, name_of
from airquill.keys.wording import Press, pieces, quoted

REPORT_BYTES = 8
_FIRST_KEY = 0x04  # 0x00 is no key, 0x01 to 0x03 are error codes


@dataclass(frozen=True)
class KeyEvent:
    """One key going down or up. `time_us` is the report's own time."""

    time_us: int
    usage: int
    down: bool

    @property
    def name(self) -> str:
        """Usage name of the key."""
        return name_of(self.usage)


@dataclass(frozen=True)
class SeenChord:
    """Keys that were down together: the modifiers held, and the keys in the order in which they came."""

    modifiers: int
    usages: tuple[int, ...]
    down_us: int
    up_us: int | None
    """None while still down at the end of the capture."""


def events(reports: Iterable[tuple[int, bytes]]) -> list[KeyEvent]:
    """Key events of reports given as (time_us, eight bytes). Raises AirquillError for a report of another length."""
    found: list[KeyEvent] = []
    held: list[int] = []
    for time_us, report in reports:
        if len(report) != REPORT_BYTES:
            raise AirquillError(f"A keyboard report has {REPORT_BYTES} bytes; one with {len(report)} was captured.")
        if all(code == 0x01 for code in report[2:]):
            continue
        modifiers = [FIRST_MODIFIER + bit for bit in range(8) if report[0] >> bit & 1]
        now = list(dict.fromkeys(modifiers + [code for code in report[2:] if code >= _FIRST_KEY]))
        # Releases first, keys before modifiers; then presses, modifiers before keys, as hosts apply a report.
        found += [KeyEvent(time_us, usage, False) for usage in reversed(held) if usage not in now]
        found += [KeyEvent(time_us, usage, True) for usage in now if usage not in held]
        held = now
    return found


def chords_seen(reports: Iterable[tuple[int, bytes]]) -> list[SeenChord]:
    """What a PC makes of the reports: each press with the modifiers held at that moment.

    Keys that come down in one report are one chord, which ends when the first of them comes up. Modifiers pressed and
    released with no key are a chord of their own.
    """
    pressed: list[SeenChord] = []
    found: list[SeenChord] = []
    modifiers = most = since_us = 0
    used = False  # whether a key came while the modifiers were down
    for event in events(reports):
        if is_modifier(event.usage):
            bit = 1 << (event.usage - FIRST_MODIFIER)
            if event.down:
                if not modifiers:
                    most, since_us, used = 0, event.time_us, False
                modifiers |= bit
                most |= bit
                continue
            modifiers &= ~bit
            if not modifiers and not used:
                found.append(SeenChord(most, (), since_us, event.time_us))
        elif event.down:
            used = True
            last = pressed[-1] if pressed else None
            if last and last.down_us == event.time_us and last.modifiers == modifiers:
                pressed[-1] = replace(last, usages=(*last.usages, event.usage))
            else:
                pressed.append(SeenChord(modifiers, (event.usage,), event.time_us, None))
        else:
            chord = next((chord for chord in pressed if event.usage in chord.usages), None)
            if chord:
                pressed.remove(chord)
                found.append(replace(chord, up_us=event.time_us))
    if modifiers and not used:
        found.append(SeenChord(most, (), since_us, None))
    return sorted(found + pressed, key=lambda chord: chord.down_us)


def still_down(reports: Iterable[tuple[int, bytes]]) -> list[str]:
    """Names of the keys that are down after the last report; a finished stroke leaves none."""
    held: dict[int, None] = {}
    for event in events(reports):
        if event.down:
            held[event.usage] = None
        else:
            held.pop(event.usage, None)
    return [name_of(usage) for usage in held]


def typed(reports: Iterable[tuple[int, bytes]], layout: str = "us") -> str:
    """What the reports come to on a host of this layout, written as a stroke: `"20 pcs", Enter`.

    Raises AirquillError for a damaged report or an unknown layout.
    """
    presses: list[Press] = [(chord.modifiers, chord.usages) for chord in chords_seen(reports)]
    return ", ".join(
        quoted(piece.what)
        if piece.kind == "text"
        else piece.what + (f" times {piece.times}" if piece.times > 1 else "")
        for piece in pieces(presses, find_layout(layout))
    )
