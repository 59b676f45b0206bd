"""Host keyboard layouts: what a key position types, and which keys type a character.

The table comes from xkb-data (see layouts_data.py), so it is what a Linux PC does. Windows and macOS agree on letters,
digits and most of ASCII; characters reached with Right Alt are where they part most.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass, field
from functools import cache

from airquill.errors import AirquillError
from airquill.keys.layouts_data import COMPOSED, LAYOUTS, XKB_DATA
from airquill.keys.usages import name_of

LAYOUT_NAMES = tuple(LAYOUTS)
DATA_VERSION = XKB_DATA

LEFT_SHIFT = 0x02
RIGHT_ALT = 0x40
_SHIFTS = 0x22
_LEVELS = (0, LEFT_SHIFT, RIGHT_ALT, LEFT_SHIFT | RIGHT_ALT)
_OTHER_NAMES = {"uk": "gb", "us-dvorak": "dvorak"}

KeyPress = tuple[int, int]
"""Modifier byte and usage number of one key pressed with them."""


@dataclass(frozen=True)
class Layout:
    """One host layout. `table` maps usage to what its levels plain, Shift, AltGr, Shift with AltGr give."""

    name: str
    title: str
    table: dict[int, tuple[str, ...]] = field(repr=False)
    presses: dict[str, tuple[KeyPress, ...]] = field(repr=False)

    def _entry(self, modifiers: int, usage: int) -> str:
        if modifiers & ~(_SHIFTS | RIGHT_ALT):
            return ""
        level = (1 if modifiers & _SHIFTS else 0) + (2 if modifiers & RIGHT_ALT else 0)
        # The keys Non-US Hash and Backslash are one key to a PC (Linux KEY_BACKSLASH, USB HID Usage Tables note 2).
        levels = self.table.get(0x31 if usage == 0x32 else usage, ())
        return levels[level] if level < len(levels) else ""

    def character(self, modifiers: int, usage: int) -> str:
        """The character that this key types with these modifiers; empty when it types none, or is a dead key."""
        entry = self._entry(modifiers, usage)
        return entry if len(entry) == 1 else ""

    def dead_key(self, modifiers: int, usage: int) -> str:
        """xkb's name of the dead key (such as dead_acute) at this place; empty when there is none."""
        entry = self._entry(modifiers, usage)
        return entry if len(entry) > 1 else ""

    def composed(self, dead_key: str, base: str) -> str:
        """What a dead key and the character after it give together; empty when hosts disagree or nothing comes."""
        return COMPOSED.get(dead_key, {}).get(base, "")

    def presses_for(self, character: str) -> tuple[KeyPress, ...]:
        """The key presses that type a character: one, or a dead key and its base.

        Raises AirquillError when the layout cannot type it.
        """
        presses = self.presses.get(character)
        if presses is None:
            shown = f"'{character}'" if character.isprintable() else f"the character U+{ord(character):04X}"
            hint = "Name the key instead, such as Enter or Tab." if not character.isprintable() else _who_can(character)
            raise AirquillError(f"The layout {self.name} cannot type {shown}. {hint}")
        return presses

    def characters(self) -> frozenset[str]:
        """Every character that the layout can type, dead keys included."""
        return frozenset(self.presses)

    def dead_keys(self) -> dict[KeyPress, str]:
        """Places of the dead keys, with xkb's names."""
        return {
            (_LEVELS[level], usage): entry
            for usage, levels in self.table.items()
            for level, entry in enumerate(levels)
            if len(entry) > 1
        }


def _who_can(character: str) -> str:
    able = [name for name in LAYOUT_NAMES if character in layout(name).presses]
    return f"These can: {', '.join(able)}." if able else "No layout here can."


def _presses(table: dict[int, tuple[str, ...]]) -> dict[str, tuple[KeyPress, ...]]:
    single: dict[str, tuple[KeyPress, ...]] = {}
    dead: dict[str, KeyPress] = {}
    for level, modifiers in enumerate(_LEVELS):
        for usage, levels in table.items():
            entry = levels[level] if level < len(levels) else ""
            if len(entry) == 1:
                single.setdefault(entry, ((modifiers, usage),))
            elif entry:
                dead.setdefault(entry, (modifiers, usage))
    both = dict(single)
    for name, press in dead.items():
        for base, character in COMPOSED.get(name, {}).items():
            if base in single:
                both.setdefault(character, (press, *single[base]))
    return both


@cache
def _load(name: str) -> Layout:
    title, table = LAYOUTS[name]
    return Layout(name, title, table, _presses(table))


def layout(name: str) -> Layout:
    """The layout of that name. Raises AirquillError naming the nearest, or all, when there is none."""
    folded = name.strip().casefold()
    folded = _OTHER_NAMES.get(folded, folded)
    if folded not in LAYOUTS:
        titles = {title.casefold(): short for short, (title, _) in LAYOUTS.items()}
        if folded in titles:
            return _load(titles[folded])
        near = difflib.get_close_matches(folded, [*LAYOUTS, *titles], n=1, cutoff=0.7)
        hint = f"Did you mean {titles.get(near[0], near[0])}? " if near else ""
        raise AirquillError(f"There is no layout '{name.strip()}'. {hint}There are: {', '.join(LAYOUT_NAMES)}.")
    return _load(folded)


def shortcut_name(host: Layout, usage: int) -> str:
    """How people on this layout call the key in a shortcut: the character on it, or its usage name."""
    character = host.character(0, usage)
    return character.upper() if character.strip() and len(character.upper()) == 1 else name_of(usage)
