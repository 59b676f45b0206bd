"""What a stroke could do to a PC, and what a person must agree to before it is bound.

A profile from a stranger must not become an attack. One key, with or without Shift, is let through; everything else is
asked for once, and the unit itself refuses system chords and long text until their settings are on.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from airquill.keys.strokes import decode
from airquill.keys.usages import modifier_names, name_of
from airquill_protocol.tables import TEXT_CHORDS

SYSTEM_MODIFIERS = 0xFF & ~0x22
"""Control, Alt and GUI on either side."""

REPEAT_MS = 250
"""The shortest delay after which a host repeats a key held down; hosts set 250 to 1000 ms (Windows, GNOME and KDE)."""

_POWER = 0x66


@dataclass(frozen=True)
class Risk:
    """Facts of a stroke program that bear on consent."""

    chords: int
    keys: int
    """Keys pressed in all, modifiers not counted; six keys of one chord can type six letters."""
    system_modifiers: int
    """Modifier bits of Control, Alt and GUI held anywhere in the stroke."""
    power: bool
    longest_hold_ms: int | None
    """The longest hold the stroke sets itself; None when it leaves that to the unit, whose limit is below REPEAT_MS."""

    @property
    def system(self) -> bool:
        """Whether the unit refuses it while keys.allow_system is off."""
        return self.system_modifiers != 0

    @property
    def long_text(self) -> bool:
        """Whether it is long enough to carry a command. Keys count too: chords of six keys would get around chords."""
        return max(self.chords, self.keys) > TEXT_CHORDS

    @property
    def repeats(self) -> bool:
        """Whether a key stays down so long that a host may repeat it."""
        return self.keys > 0 and (self.longest_hold_ms or 0) > REPEAT_MS


def risk(program: bytes) -> Risk:
    """The facts of a program. Raises AirquillError when it is damaged."""
    chords = decode(program).chords
    system = 0
    for chord in chords:
        system |= chord.modifiers & SYSTEM_MODIFIERS
    return Risk(
        chords=len(chords),
        keys=sum(len(chord.usages) for chord in chords),
        system_modifiers=system,
        power=any(_POWER in chord.usages for chord in chords),
        longest_hold_ms=max((chord.hold_ms for chord in chords if chord.hold_ms), default=None),
    )


def reasons(program: bytes) -> list[str]:
    """Why a person must agree before this is bound; empty when none need. Raises AirquillError when damaged."""
    facts = risk(program)
    found = []
    if facts.system:
        found.append(f"holds {', '.join(modifier_names(facts.system_modifiers))}, which can command the PC")
    if facts.power:
        found.append(f"presses {name_of(_POWER)}, which can switch the PC off")
    if facts.long_text:
        found.append(f"presses {facts.keys} keys in {facts.chords} chords, enough to type a command")
    elif facts.chords > 1:
        found.append(f"sends {facts.chords} chords one after another")
    elif facts.keys > 1:
        found.append(f"presses {facts.keys} keys at once")
    if facts.repeats:
        found.append(f"holds a key for {facts.longest_hold_ms} ms, long enough for the PC to repeat it")
    return found


def needs_consent(program: bytes) -> bool:
    """Whether a person must agree: all but one key without Control, Alt or GUI. Raises AirquillError when damaged."""
    return bool(reasons(program))


def needed_settings(program: bytes) -> list[str]:
    """Settings that must be on before the unit takes it. Raises AirquillError when the program is damaged."""
    facts = risk(program)
    return [
        path for path, needed in (("keys.allow_system", facts.system), ("keys.allow_text", facts.long_text)) if needed
    ]


def fingerprint(program: bytes) -> str:
    """What a consent is remembered by: SHA-256 of the program, hex. Another program asks again."""
    return hashlib.sha256(program).hexdigest()
