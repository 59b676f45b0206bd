"""The stroke language: what a person writes, and the program of bytes that the unit runs.

    Down Arrow                       one key
    Left Shift + Tab                 a chord
    Tab times 3, Enter               chords one after another
    hold 40 ms, gap 100 ms, F13, F14 how long keys stay down, and the pauses between chords
    "20 pcs" on de, Enter            text, typed for a German host

`hold` counts for the chords after it, `gap` for the pauses from its place on, both until the next of their kind.
docs/keys.md has the whole language; the bytes are in docs/protocol.md.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby

from airquill.errors import AirquillError
from airquill.keys.layouts import layout as find_layout
from airquill.keys.usages import FIRST_MODIFIER, FIRST_USAGE, LAST_USAGE, is_modifier, modifier_names, name_of, usage_of
from airquill_protocol.tables import STROKE_BYTES

HOLD, GAP, CHORD = 0x01, 0x02, 0x10
CHORD_KEYS = 6
MIN_MS, MAX_MS = 10, 2000

_TIMING = re.compile(r"(hold|gap)\b\s*(\S*?)\s*(ms\b|(?=\s|$))\s*", re.IGNORECASE)
_QUOTED = re.compile(r"""(["'])(?P<text>.*?)\1\s*(?:on\s+(?P<layout>[\w-]+)\s*)?""", re.DOTALL | re.IGNORECASE)
_KEYS = re.compile(r"(.+?)(?:\s+(?=(?:times|hold|gap)\b)|$)", re.DOTALL | re.IGNORECASE)
_TIMES = re.compile(r"times\b\s*(\S*)\s*", re.IGNORECASE)


@dataclass(frozen=True)
class Chord:
    """Keys pressed together. `hold_ms` and `gap_ms` are None where the unit's own setting rules."""

    modifiers: int
    usages: tuple[int, ...] = ()
    hold_ms: int | None = None
    gap_ms: int | None = None

    @property
    def text(self) -> str:
        """The chord as it is written, without its timing."""
        return " + ".join([*modifier_names(self.modifiers), *(name_of(usage) for usage in self.usages)])


@dataclass(frozen=True)
class Stroke:
    """Chords one after another."""

    chords: tuple[Chord, ...]

    @property
    def program(self) -> bytes:
        """The bytes that the unit stores and runs; empty when nothing is bound."""
        out = bytearray()
        hold_ms = gap_ms = None
        for chord in self.chords:
            if chord.hold_ms != hold_ms and chord.hold_ms is not None:
                out += bytes([HOLD]) + chord.hold_ms.to_bytes(2, "little")
            if chord.gap_ms != gap_ms and chord.gap_ms is not None:
                out += bytes([GAP]) + chord.gap_ms.to_bytes(2, "little")
            hold_ms, gap_ms = chord.hold_ms, chord.gap_ms
            out += bytes([CHORD + len(chord.usages), chord.modifiers, *chord.usages])
        return bytes(out)

    @property
    def text(self) -> str:
        """The stroke in its canonical form: full usage names, equal neighbours as `times`, no quoted text."""
        steps: list[str] = []
        hold_ms = gap_ms = None
        for index, chord in enumerate(self.chords):
            if chord.hold_ms != hold_ms:
                steps.append(f"hold {chord.hold_ms} ms")
            # A gap is written where the pause is: after its chord, and for the first chord at the start.
            pause = [f"gap {chord.gap_ms} ms"] if chord.gap_ms != gap_ms else []
            steps += [*pause, chord.text] if index == 0 else [chord.text, *pause]
            hold_ms, gap_ms = chord.hold_ms, chord.gap_ms
        runs = [(step, len(list(run))) for step, run in groupby(steps)]
        return ", ".join(step if times == 1 else f"{step} times {times}" for step, times in runs)


def parse(text: str, layout: str = "us") -> Stroke:
    """Reads a stroke as a person writes it; quoted text is typed for `layout` unless it says `on` another.

    Raises AirquillError saying what is wrong and what to write instead.
    """
    if not text.strip():
        raise AirquillError("The stroke is empty. Name a key, such as Down Arrow or Left Shift + Tab.")
    reader = _Reader(layout)
    for step in _steps(text):
        reader.step(step)
    stroke = reader.stroke()
    size = len(stroke.program)
    if size > STROKE_BYTES:
        raise AirquillError(
            f"The stroke is too long: it takes {size} bytes and the unit holds {STROKE_BYTES}, about "
            f"{STROKE_BYTES // 3} single keys. Shorten it."
        )
    return stroke


def encode(text: str, layout: str = "us") -> bytes:
    """The program of a stroke as a person writes it. Raises AirquillError as `parse` does."""
    return parse(text, layout).program


def decode(program: bytes) -> Stroke:
    """Reads a program of bytes. Raises AirquillError when it is damaged or longer than a unit holds."""
    if len(program) > STROKE_BYTES:
        raise AirquillError(f"The stroke program has {len(program)} bytes; a unit holds {STROKE_BYTES}.")
    chords: list[Chord] = []
    timing: dict[int, int | None] = {HOLD: None, GAP: None}
    at = 0
    while at < len(program):
        code = program[at]
        if code in timing:
            value = int.from_bytes(program[at + 1 : at + 3], "little")
            if at + 3 > len(program) or not MIN_MS <= value <= MAX_MS:
                raise _damaged(at, "a time must be 10 to 2000 ms")
            timing[code] = value
            at += 3
        elif CHORD <= code <= CHORD + CHORD_KEYS:
            end = at + 2 + code - CHORD
            if end > len(program):
                raise _damaged(at, "the last chord is cut off")
            modifiers, usages = program[at + 1], tuple(program[at + 2 : end])
            if not all(FIRST_USAGE <= usage <= LAST_USAGE for usage in usages):
                raise _damaged(at, "it holds a number that is no key")
            if len(set(usages)) < len(usages) or not (usages or modifiers):
                raise _damaged(at, "a chord must hold keys, each once")
            chords.append(Chord(modifiers, usages, timing[HOLD], timing[GAP]))
            at = end
        else:
            raise _damaged(at, f"0x{code:02x} starts no step")
    if program and not chords:
        raise _damaged(0, "it presses no key")
    return Stroke(tuple(chords))


def _damaged(at: int, why: str) -> AirquillError:
    return AirquillError(f"The stroke program is damaged at byte {at}: {why}. Bind the stroke anew.")


def _steps(text: str) -> Iterator[str]:
    """The steps between commas; commas in quotes do not count."""
    step, quote = "", ""
    for character in text:
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character == ",":
            yield step
            step = ""
            continue
        step += character
    if quote:
        raise AirquillError(
            f"A quote is never closed in: {text.strip()}. Close text with the same {quote} that opens it."
        )
    yield step


def _split_timings(words: str) -> tuple[list[tuple[str, int]], str]:
    """The `hold` and `gap` at the start of the words, and the rest."""
    timings = []
    while match := _TIMING.match(words):
        kind, number, unit = match.groups()
        if not (unit and number.isascii() and number.isdecimal() and MIN_MS <= int(number) <= MAX_MS):
            raise AirquillError(
                f"'{match[0].strip()}' is no time. Write whole milliseconds from {MIN_MS} to {MAX_MS}: {kind} 40 ms."
            )
        timings.append((kind.casefold(), int(number)))
        words = words[match.end() :]
    return timings, words


def _chord(words: str) -> tuple[int, tuple[int, ...]]:
    if _TIMES.fullmatch(words):
        raise AirquillError("Write `times` right after its chord, without a comma: Tab times 3.")
    names = words.split("+")
    if not all(name.strip() for name in names):
        raise AirquillError(
            f"A key is missing beside + in '{words.strip()}'. The key itself is named Equals or Keypad Plus."
        )
    numbers = [usage_of(name) for name in names]
    twice = next((name for name, number in zip(names, numbers, strict=True) if numbers.count(number) > 1), "")
    if twice:
        raise AirquillError(f"'{twice.strip()}' is there twice in '{words.strip()}'. Name each key of a chord once.")
    modifiers = sum(1 << (number - FIRST_MODIFIER) for number in numbers if is_modifier(number))
    usages = tuple(number for number in numbers if not is_modifier(number))
    if len(usages) > CHORD_KEYS:
        raise AirquillError(
            f"A chord holds at most {CHORD_KEYS} keys besides modifiers; '{words.strip()}' has {len(usages)}. "
            "Take some out."
        )
    return modifiers, usages


def _split_times(words: str) -> tuple[int, str]:
    match = _TIMES.match(words)
    if match is None:
        return 1, words
    number = match[1]
    if not (number.isascii() and number.isdecimal() and 1 <= int(number) <= STROKE_BYTES):
        raise AirquillError(f"'times {number}' must be a whole number from 1 to {STROKE_BYTES}, such as: Tab times 3.")
    return int(number), words[match.end() :]


class _Reader:
    """Collects chords; knows the timing in force."""

    def __init__(self, layout: str) -> None:
        self.layout = find_layout(layout)
        self.chords: list[tuple[int, tuple[int, ...], int | None]] = []
        self.gaps: list[int | None] = []
        self.hold_ms: int | None = None
        self.gap_ms: int | None = None
        self.hold_after = ""

    def stroke(self) -> Stroke:
        if not self.chords:
            raise AirquillError("The stroke presses no key. Add one, such as Down Arrow.")
        return Stroke(tuple(Chord(*chord, gap) for chord, gap in zip(self.chords, self.gaps, strict=True)))

    def step(self, step: str) -> None:
        if not step.strip():
            raise AirquillError("There is nothing beside a comma. Put a key there, or take the comma out.")
        before, rest = _split_timings(step.strip())
        for kind, value in before:
            self.set(kind, value)
        if not rest:
            return
        if rest[0] in "\"'":
            presses, rest = self.text(rest)
        else:
            match = _KEYS.match(rest)
            assert match is not None  # there is at least one character, and any will do
            presses, rest = [_chord(match[1])], rest[match.end() :]
        times, rest = _split_times(rest)
        after, rest = _split_timings(rest)
        if rest:
            raise AirquillError(f"'{rest}' does not belong there in '{step.strip()}'. Put a comma before the next key.")
        self.add(presses * times, after, step.strip())

    def add(self, presses: list[tuple[int, tuple[int, ...]]], after: list[tuple[str, int]], step: str) -> None:
        held = [value for kind, value in after if kind == "hold"]
        if self.hold_after and not held:
            raise AirquillError(
                f"A stroke cannot go back to the unit's own time after '{self.hold_after}'. Write hold as a step "
                "before the first chord it is for; it counts for all after it."
            )
        if held:
            self.set("hold", held[-1])
            self.hold_after = step
        for modifiers, usages in presses:
            self.chords.append((modifiers, usages, self.hold_ms))
            self.gaps.append(self.gap_ms)
        for kind, value in after:
            if kind == "gap":
                self.set(kind, value)

    def set(self, kind: str, value: int) -> None:
        if kind == "hold":
            self.hold_ms, self.hold_after = value, ""
            return
        self.gap_ms = value
        if self.gaps:  # the pause stands at this place, which is after the chord before it
            self.gaps[-1] = value

    def text(self, words: str) -> tuple[list[tuple[int, tuple[int, ...]]], str]:
        match = _QUOTED.match(words)
        assert match is not None  # _steps saw the closing quote
        if not match["text"]:
            raise AirquillError("There is no text between the quotes. Write what to type, or take the quotes out.")
        host = find_layout(match["layout"]) if match["layout"] else self.layout
        presses = [press for character in match["text"] for press in host.presses_for(character)]
        return [(modifiers, (usage,)) for modifiers, usage in presses], words[match.end() :]
