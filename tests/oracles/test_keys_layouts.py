"""Characters typed by the device's own keyboard part, read by xkbcommon as a Linux PC reads them.

Written text -> stroke program -> the device's reports -> Linux keys -> xkbcommon 1.5.1 with xkb-data -> characters.
"""

import importlib
import importlib.util
import re
import string
import subprocess
import sys
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import pytest
from hidtools.hut import HUT

from airquill import keys as keys_package
from airquill.keys import LAYOUT_NAMES, check, encode, events, layout, typed
from keys.unit_keyboard import play

COMPOSE = Path("/usr/share/X11/locale/en_US.UTF-8/Compose")
KEY_CODES = Path("/usr/include/linux/input-event-codes.h")
NEEDED = "needs xkbcommon (pip), libxkbcommon-dev, xkb-data and libx11-data (Debian)"
VARIANTS = {"dvorak": ("us", "dvorak")}
ASCII = string.ascii_letters + string.digits + string.punctuation + " "

# Letters and signs that each language needs beyond ASCII (from memory).
OWN_LETTERS = {
    "us": "", "dvorak": "", "gb": "£€", "de": "äöüÄÖÜß€§°", "fr": "éèçàùâêîôûëïüÿÂÊÎÔÛËÏÜ€", "it": "àèéìòùç€",
    "es": "ñÑçÇáéíóúüÁÉÍÓÚÜ¿¡ºª€", "se": "åäöÅÄÖé€", "ch": "äöüéèàçâêîôûÄÖÜ§€",
}  # fmt: skip


@cache
def load():
    xkb = importlib.import_module("xkbcommon.xkb")
    context = xkb.Context()
    loaded = {}
    for name in LAYOUT_NAMES:
        symbols, variant = VARIANTS.get(name, (name, ""))
        loaded[name] = context.keymap_new_from_names(rules="evdev", model="pc105", layout=symbols, variant=variant)
    compose = context.compose_table_new_from_buffer(COMPOSE.read_bytes(), "en_US.UTF-8")
    return SimpleNamespace(xkb=xkb, layouts=loaded, compose=compose, codes=key_codes(xkb, loaded["us"]))


@pytest.fixture
def pc(require):
    require(importlib.util.find_spec("xkbcommon") and COMPOSE.exists(), NEEDED)
    return load()


def symbols_at(xkb, loaded, code):
    """Per level, the name of the one symbol there."""
    levels = range(loaded.num_levels_for_key(code, 0)) if loaded.num_layouts_for_key(code) else ()
    found = [loaded.key_get_syms_by_level(code, 0, level) for level in levels]
    return [xkb.keysym_get_name(symbols[0]) if len(symbols) == 1 else "" for symbols in found]


def key_codes(xkb, us):
    """Usage to xkb key code (evdev + 8): legends of hid-tools' HUT joined with what xkb's `us` gives at each key."""
    by_symbols = {}
    for code in range(us.min_keycode(), 136):  # what comes after are media keys
        names = symbols_at(xkb, us, code)
        by_symbols.setdefault(tuple(names[:2]), code)
        by_symbols.setdefault(names[0] if names else "", code)

    def symbol(sign):
        special = {"(underscore)": "_", "Grave Accent": "`", "Tilde": "~", "Keyboard,": ","}
        return xkb.keysym_get_name(keysym_of(xkb, special.get(sign, sign)))

    codes = {}
    for usage, entry in HUT[7].items():
        legend = re.fullmatch(r"(.+) and (.+)", entry.name)
        if legend and usage < 0x39 and usage != 0x32:
            pair = legend[1].replace("Keyboard, and", ","), legend[2]
            codes[usage] = by_symbols[tuple(symbol(sign) for sign in pair)]
    named = {0x2C: "space", 0xE0: "Control_L", 0xE1: "Shift_L", 0xE2: "Alt_L", 0xE3: "Super_L", 0xE4: "Control_R",
             0xE5: "Shift_R", 0xE6: "Alt_R", 0xE7: "Super_R"}  # fmt: skip
    for usage, name in named.items():
        codes[usage] = by_symbols.get(name) or by_symbols[name, ""]
    # Keys that a US keyboard has not got: KEY_BACKSLASH and KEY_102ND of linux-libc-dev, joined from memory.
    codes[0x32], codes[0x64] = 43 + 8, 86 + 8
    return codes


def keysym_of(xkb, character):
    names = {"_": "underscore", "`": "grave", "~": "asciitilde", ",": "comma"}
    if character in names or character.isalnum():
        return xkb.keysym_from_name(names.get(character, character))
    return ord(character)  # X protocol, appendix A: Latin-1 keysyms are their code points


def received(pc, host, reports):
    """The text that a program gets on a Linux PC with this layout."""
    xkb, state = pc.xkb, pc.layouts[host].state_new()
    compose = pc.compose.compose_state_new()
    text = ""
    for event in events(reports):
        code = pc.codes[event.usage]
        if event.down:
            symbol = state.key_get_one_sym(code)
            compose.feed(symbol)
            status = compose.get_status()
            if status == xkb.XKB_COMPOSE_NOTHING:
                text += state.key_get_string(code)
            elif status == xkb.XKB_COMPOSE_COMPOSED:
                text += compose.get_utf8()
            if status != xkb.XKB_COMPOSE_COMPOSING:
                compose.reset()
        state.update_key(code, xkb.XKB_KEY_DOWN if event.down else xkb.XKB_KEY_UP)
    return text


def given_by_one_key(pc, host):
    """Characters and dead keys that xkbcommon gives for one key with nothing, Shift, Right Alt, or both held."""
    characters, dead = set(), set()
    for held in ((), (0xE1,), (0xE6,), (0xE1, 0xE6)):
        state = pc.layouts[host].state_new()
        for usage in held:
            state.update_key(pc.codes[usage], pc.xkb.XKB_KEY_DOWN)
        for usage, code in pc.codes.items():
            name = pc.xkb.keysym_get_name(state.key_get_one_sym(code))
            text = state.key_get_string(code)
            if name.startswith("dead_"):
                dead.add(name)
            elif usage < 0xE0 and len(text) == 1 and text.isprintable():
                characters.add(text)
    return characters, dead


def test_key_codes_are_those_of_the_kernel(pc, require):
    require(KEY_CODES.exists(), "needs Debian's linux-libc-dev for input-event-codes.h")
    kernel = dict(re.findall(r"#define (KEY_\w+)\s+(\d+)", KEY_CODES.read_text()))
    expected = {"KEY_BACKSLASH": 0x32, "KEY_102ND": 0x64, "KEY_RIGHTALT": 0xE6, "KEY_LEFTMETA": 0xE3, "KEY_SPACE": 0x2C}
    expected |= {f"KEY_{letter}": 0x04 + i for i, letter in enumerate(string.ascii_uppercase)}
    expected |= {f"KEY_{digit}": 0x1E + i for i, digit in enumerate("1234567890")}
    expected |= {"KEY_MINUS": 0x2D, "KEY_EQUAL": 0x2E, "KEY_SEMICOLON": 0x33, "KEY_GRAVE": 0x35, "KEY_SLASH": 0x38}
    for name, usage in expected.items():
        assert pc.codes[usage] == int(kernel[name]) + 8, name


def not_arriving(pc, host):
    """Characters that the layout claims, and those of them that a program on a Linux PC does not get."""
    claimed = sorted(layout(host).characters())
    missing = []
    for character in claimed:
        written = f"'{character}'" if character == '"' else f'"{character}"'
        reports = play(encode(written, host))
        said = "Space" if character == " " else written
        if received(pc, host, reports) != character or typed(reports, host) != said:
            missing.append(character)
    return claimed, missing


@pytest.mark.parametrize("host", LAYOUT_NAMES)
def test_every_character_arrives(pc, host):
    """All that the layout claims, and with it printable ASCII and the language's own letters: 100 %."""
    by_one_key, dead = given_by_one_key(pc, host)
    claimed, missing = not_arriving(pc, host)
    assert {*ASCII, *OWN_LETTERS[host]} <= {*claimed}
    assert set(layout(host).dead_keys().values()) == dead
    assert {character for character in claimed if len(layout(host).presses_for(character)) == 1} == by_one_key
    assert missing == []


def test_function_keys_above_f12_are_what_the_warning_says(pc):
    for number in range(13, 25):
        name = "".join(symbols_at(pc.xkb, pc.layouts["us"], 178 + number)[:1])  # KEY_F13 is 183, plus 8
        said = " ".join(finding.sentence for finding in check(encode(f"F{number}")))
        if name.startswith(("XF86Tools", "XF86Launch")):
            assert "Tools or Launch" in said
        elif "Mic" in name:
            assert "microphone" in said
        elif "Touchpad" in name:
            assert "touch pad" in said
        else:
            assert name == "" and "means nothing" in said


def test_the_committed_table_is_what_the_generator_writes(require):
    """xkb-data of Debian (2.35.1) through xkbcommon."""
    require(importlib.util.find_spec("xkbcommon") and COMPOSE.exists(), NEEDED)
    generator = Path(keys_package.__file__).with_name("generate_layouts.py")
    done = subprocess.run([sys.executable, generator, "--check"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
