"""Would this stroke do what you think? Warnings for one host layout."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from airquill.keys.describe import phrase
from airquill.keys.layouts import LAYOUT_NAMES, RIGHT_ALT, Layout
from airquill.keys.layouts import layout as find_layout
from airquill.keys.risk import REPEAT_MS, needed_settings, risk
from airquill.keys.strokes import Chord, decode
from airquill.keys.usages import NAMES, usage_of
from airquill.keys.wording import Press, chord_name, pieces

_SHIFTS, _CONTROLS, _ALTS, _GUIS = 0x22, 0x11, 0x44, 0x88
_FUNCTION_KEYS = tuple(f"F{n}" for n in range(1, 13))

# Modifier groups held, keys (empty: on its own; "*": any), and what becomes of it. From memory, except where a
# line names its source.
_GRABS: tuple[tuple[int, tuple[str, ...], str], ...] = (
    (_GUIS, (), "opens the system's start menu or search"),
    (_GUIS, ("L",), "locks the screen on Windows and many Linux desktops"),
    (_GUIS, ("*",), "is mostly taken by the system and never reaches the program"),
    (_ALTS, ("Tab", "Escape"), "switches windows"),
    (_ALTS, ("F4",), "closes the window"),
    (_ALTS, ("Space",), "opens the window menu"),
    (_ALTS, ("F2",), "opens the run box on some Linux desktops"),
    (_ALTS, ("Print Screen",), "takes a picture of the window"),
    (_CONTROLS, ("Escape",), "opens the start menu on Windows"),
    (_CONTROLS, ("W", "Q", "T", "N"), "closes or opens windows and tabs in most programs"),
    (_CONTROLS | _ALTS, ("Delete",), "goes to the system's security screen"),
    (_CONTROLS | _ALTS, _FUNCTION_KEYS, "leaves for a text console on Linux"),
    (_CONTROLS | _ALTS, ("T", "L"), "opens a terminal or locks the screen on some Linux desktops"),
    (_CONTROLS | _SHIFTS, ("Escape",), "opens the task manager on Windows"),
    (0, ("Print Screen",), "takes a picture of the screen"),
    (0, ("Power",), "may switch the PC off"),
    (0, ("Caps Lock", "Num Lock", "Scroll Lock"), "stays switched after the stroke and changes what later keys do"),
    (0, ("F1",), "opens help in most programs"),
    (0, ("F11",), "switches full screen in most programs"),
    # xkb-data, symbols/inet (evdev): what F13 to F24 are on a Linux desktop.
    (0, tuple(f"F{n}" for n in range(13, 19)), "reaches programs on Linux desktops as a Tools or Launch key"),
    (0, ("F19", "F24"), "means nothing to programs on Linux desktops, save those that read key positions"),
    (0, ("F20",), "mutes the microphone on Linux desktops"),
    (0, ("F21", "F22", "F23"), "switches the touch pad on Linux desktops"),
    (0, ("Application",), "opens the context menu"),
)  # fmt: skip


@dataclass(frozen=True)
class Finding:
    """One warning. `kind` is moves, dead, alt_gr, repeat, system, locks or refused; `chord` is what it is about."""

    kind: str
    chord: str
    sentence: str


def check(program: bytes, layout: str = "us") -> list[Finding]:
    """Warnings for a stroke program on a host of this layout; empty when it does what its key names say everywhere.

    Raises AirquillError for a damaged program or an unknown layout.
    """
    host = find_layout(layout)
    stroke = decode(program)
    found = [finding for chord in dict.fromkeys(stroke.chords) for finding in _chord(chord, host)]
    presses = [(chord.modifiers, chord.usages) for chord in stroke.chords]
    for piece in pieces(presses, host):
        if piece.kind == "dead":
            sentence = f"{piece.what} is a dead key on {host.name}: nothing shows until the next letter."
            found.append(Finding("dead", piece.what, sentence))
    found += _moves(presses, host)
    facts = risk(program)
    if facts.repeats:
        found.append(
            Finding(
                "repeat",
                "",
                f"A key stays down for {facts.longest_hold_ms} ms; from {REPEAT_MS} ms on a PC may repeat it.",
            )
        )
    for path in needed_settings(program):
        why = "it holds Control, Alt or GUI" if path == "keys.allow_system" else "it is long enough to carry a command"
        found.append(Finding("refused", "", f"The unit refuses this until {path} is on, because {why}."))
    return list(dict.fromkeys(found))


def _moves(presses: list[Press], host: Layout) -> list[Finding]:
    """One finding that says what the same keys come to on the layouts where that differs."""
    here = pieces(presses, host)
    elsewhere: dict[str, list[str]] = {}
    for name in LAYOUT_NAMES:
        there = pieces(presses, find_layout(name))
        if there != here:
            elsewhere.setdefault(phrase(there), []).append(name)
    if not elsewhere:
        return []
    listed = "; ".join(f"on {', '.join(names)} it {there}" for there, names in elsewhere.items())
    return [Finding("moves", "", f"On {host.name} it {phrase(here)}. The keys move with the layout: {listed}.")]


def _chord(chord: Chord, host: Layout) -> Iterator[Finding]:
    name = chord_name(chord.modifiers, chord.usages)
    for usage in chord.usages:
        character = host.character(chord.modifiers, usage)
        if character and chord.modifiers & RIGHT_ALT:
            yield Finding(
                "alt_gr", name, f"{name} types '{character}' on {host.name} under Linux; other systems may differ."
            )
        if NAMES[usage].startswith("Keypad ") and NAMES[usage][7:] in {*"0123456789", "Period"}:
            yield Finding("locks", name, f"{NAMES[usage]} types only with Num Lock on; off, it moves the cursor.")
    grab = _grab(chord)
    if grab:
        yield Finding("system", name, f"{name} {grab}.")


def _grab(chord: Chord) -> str:
    groups = sum(group for group in (_CONTROLS, _SHIFTS, _ALTS, _GUIS) if chord.modifiers & group)
    for wanted, keys, sentence in _GRABS:
        # Shift beside Alt + Tab and the like changes the direction, not who takes the chord.
        if wanted not in (groups, groups & ~_SHIFTS):
            continue
        if (not keys and not chord.usages) or (keys == ("*",) and chord.usages):
            return sentence
        if keys and keys != ("*",) and any(usage_of(key) in chord.usages for key in keys):
            return sentence
    return ""
