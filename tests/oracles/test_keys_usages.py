"""Key names and numbers against two outside tables of HID usage page 0x07."""

import re
from pathlib import Path

from hidtools.hut import HUT

from airquill.keys import NAMES, name_of, usage_of
from airquill.keys.usages import _fold

SDL_HEADER = Path("/usr/include/SDL2/SDL_scancode.h")

# hid-tools prints "X and Y" legends with the signs themselves; ours spell the unshifted sign.
SIGNS = {
    "-": "Minus", "=": "Equals", "[": "Left Bracket", "]": "Right Bracket", "\\": "Backslash", "#": "Hash",
    ";": "Semicolon", "'": "Apostrophe", ",": "Comma", ".": "Period", "/": "Slash", "*": "Asterisk", "+": "Plus",
}  # fmt: skip
# Legends that name the same key in another way.
OTHER_LEGENDS = {
    "Return (ENTER)": "Enter", "DELETE (Backspace)": "Backspace", "Delete Forward": "Delete",
    "Keypad Num Lock and Clear": "Num Lock", "Keyboard, and <": "Comma",
}  # fmt: skip


def from_legend(legend):
    if legend in OTHER_LEGENDS:
        return OTHER_LEGENDS[legend]
    first = re.sub(r"(?<=.) and .*", "", legend)
    return re.sub(r"(?<![\w])[^\w\s](?![\w])", lambda sign: SIGNS[sign[0]], first)


def test_every_usage_has_the_legend_of_hid_tools():
    """hid-tools 0.12, HUT[7], made from the USB HID Usage Tables."""
    page = {usage.value if hasattr(usage, "value") else number: usage.name for number, usage in HUT[7].items()}
    checked = 0
    for number, name in NAMES.items():
        expected = from_legend(page[number])
        assert _fold(expected) == _fold(name) or usage_of(expected) == number, (hex(number), page[number], name)
        checked += 1
    assert checked == 120


# SDL's names where they are not ours in capitals.
SDL_NAMES = {
    "GRAVE": "Grave Accent", "PRINTSCREEN": "Print Screen",
    "KP_DIVIDE": "Keypad Slash", "KP_MULTIPLY": "Keypad Asterisk",
    "NUMLOCKCLEAR": "Num Lock", "LCTRL": "Left Control", "LSHIFT": "Left Shift", "LALT": "Left Alt", "LGUI": "Left GUI",
    "RCTRL": "Right Control", "RSHIFT": "Right Shift", "RALT": "Right Alt", "RGUI": "Right GUI",
}  # fmt: skip


def test_every_usage_has_the_number_of_sdl(require):
    """SDL_scancode.h of Debian's libsdl2-dev (2.26.5): its scan codes are usages of page 0x07."""
    require(SDL_HEADER.exists(), "needs Debian's libsdl2-dev for SDL_scancode.h")
    found = re.findall(r"^\s*SDL_SCANCODE_(\w+) = (\d+)", SDL_HEADER.read_text(), re.MULTILINE)
    numbers = {int(number): name for name, number in found if int(number) in NAMES}
    assert set(numbers) == set(NAMES)
    for number, name in numbers.items():
        ours = usage_of(SDL_NAMES.get(name, re.sub(r"^KP_", "Keypad ", name)))
        assert ours == number, (name, number, name_of(number))
