"""Key names of HID usage page 0x07 (Keyboard/Keypad) and their numbers.

Source: USB HID Usage Tables 1.12, section 10. The names follow its legends, in the plain spelling people read
("Down Arrow" for "DownArrow"). A usage names a position on a US keyboard; what it types is the host layout's affair.
"""

from __future__ import annotations

import difflib
import re

from airquill.errors import AirquillError

# What a boot keyboard may report as a key and a stroke may hold; modifiers travel as bits beside them.
FIRST_USAGE = 0x04
LAST_USAGE = 0x73
FIRST_MODIFIER = 0xE0

_MODIFIERS = (
    "Left Control",
    "Left Shift",
    "Left Alt",
    "Left GUI",
    "Right Control",
    "Right Shift",
    "Right Alt",
    "Right GUI",
)

_FROM_ENTER = (  # 0x28 to 0x39, in order
    "Enter", "Escape", "Backspace", "Tab", "Space", "Minus", "Equals", "Left Bracket", "Right Bracket", "Backslash",
    "Non-US Hash", "Semicolon", "Apostrophe", "Grave Accent", "Comma", "Period", "Slash", "Caps Lock",
)  # fmt: skip
_FROM_PRINT_SCREEN = (  # 0x46 to 0x67, in order
    "Print Screen", "Scroll Lock", "Pause", "Insert", "Home", "Page Up", "Delete", "End", "Page Down",
    "Right Arrow", "Left Arrow", "Down Arrow", "Up Arrow",
    "Num Lock", "Keypad Slash", "Keypad Asterisk", "Keypad Minus", "Keypad Plus", "Keypad Enter",
    "Keypad 1", "Keypad 2", "Keypad 3", "Keypad 4", "Keypad 5", "Keypad 6", "Keypad 7", "Keypad 8", "Keypad 9",
    "Keypad 0", "Keypad Period", "Non-US Backslash", "Application", "Power", "Keypad Equals",
)  # fmt: skip


def _build() -> dict[int, str]:
    names = {0x04 + i: letter for i, letter in enumerate("ABCDEFGHIJKLMNOPQRSTUVWXYZ")}
    names.update({0x1E + i: digit for i, digit in enumerate("1234567890")})
    names.update({0x28 + i: name for i, name in enumerate(_FROM_ENTER)})
    names.update({0x3A + i: f"F{i + 1}" for i in range(12)})
    names.update({0x46 + i: name for i, name in enumerate(_FROM_PRINT_SCREEN)})
    names.update({0x68 + i: f"F{i + 13}" for i in range(12)})
    names.update({FIRST_MODIFIER + i: name for i, name in enumerate(_MODIFIERS)})
    return names


NAMES: dict[int, str] = _build()
"""Usage number to name, 0x04 to 0x73 and the modifiers 0xE0 to 0xE7."""

# Names that people write or the usage tables print differently.
_SHORT = {
    "Control": 0xE0, "Ctrl": 0xE0, "Left Ctrl": 0xE0, "Shift": 0xE1, "Alt": 0xE2, "Option": 0xE2, "GUI": 0xE3,
    "Windows": 0xE3, "Win": 0xE3, "Command": 0xE3, "Cmd": 0xE3, "Super": 0xE3, "Right Ctrl": 0xE4, "AltGr": 0xE6,
    "Return": 0x28, "Esc": 0x29, "Spacebar": 0x2C, "Hyphen": 0x2D, "Equal": 0x2E, "Quote": 0x34, "Grave": 0x35,
    "Backtick": 0x35, "Dot": 0x37, "Full Stop": 0x37, "PrtSc": 0x46, "Break": 0x48, "Ins": 0x49, "PgUp": 0x4B,
    "Delete Forward": 0x4C, "Del": 0x4C, "PgDn": 0x4E, "Right": 0x4F, "Left": 0x50, "Down": 0x51, "Up": 0x52,
    "Keypad Num Lock": 0x53, "Keypad Divide": 0x54, "Keypad Multiply": 0x55, "Keypad Star": 0x55, "Keypad Dot": 0x63,
    "Keypad Decimal": 0x63, "Keypad Equal": 0x67, "Context Menu": 0x65, "App": 0x65,
}  # fmt: skip


def _fold(name: str) -> str:
    return re.sub(r"[\s_-]+", "", name).casefold()


_BY_NAME = {_fold(name): number for name, number in _SHORT.items()} | {_fold(name): n for n, name in NAMES.items()}


def name_of(usage: int) -> str:
    """Name of a usage number; one outside the table is named by its number."""
    return NAMES.get(usage, f"usage 0x{usage:02X}")


def usage_of(name: str) -> int:
    """Usage number of a key name. Case, spaces, hyphens and a leading "Keyboard" do not count.

    Raises AirquillError naming the nearest keys when there is none of that name.
    """
    folded = _fold(name).removeprefix("keyboard")
    number = _BY_NAME.get(folded)
    if number is None:
        raise AirquillError(_unknown(name.strip(), folded))
    return number


def _unknown(name: str, folded: str) -> str:
    if len(name) == 1:
        return f"'{name}' is a character, not a key name. To type it, put it in quotes: \"{name}\"."
    words = name.split()
    if len(words) > 1 and all(_fold(word) in _BY_NAME for word in words):
        together, apart = " + ".join(words), ", ".join(words)
        return f"'{name}' is no one key. Write {together} to press them together, or {apart} for one by one."
    nearest: dict[int, str] = {}
    for near in difflib.get_close_matches(folded, _BY_NAME, n=4, cutoff=0.6):
        nearest.setdefault(_BY_NAME[near], name_of(_BY_NAME[near]))
    if nearest:
        return f"There is no key '{name}'. Did you mean {' or '.join(nearest.values())}?"
    return (
        f"There is no key '{name}'. Key names are those of the USB usage tables, such as Down Arrow, Page Down or F13."
    )


def is_modifier(usage: int) -> bool:
    """Whether the usage is one of the eight modifiers, which a report carries as bits."""
    return FIRST_MODIFIER <= usage < FIRST_MODIFIER + 8


def modifier_names(modifiers: int) -> list[str]:
    """Names of the modifiers in a report's modifier byte, bit 0 first."""
    return [name for bit, name in enumerate(_MODIFIERS) if modifiers >> bit & 1]
