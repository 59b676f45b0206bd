"""Key presses in words: what they type and do on a host layout."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby

from airquill.keys.layouts import Layout, shortcut_name
from airquill.keys.layouts import layout as find_layout
from airquill.keys.usages import modifier_names, name_of

Press = tuple[int, tuple[int, ...]]
"""Modifier byte and the usages pressed together with it."""

_COMMANDS = 0xFF & ~0x22  # modifiers that make a shortcut of a key


@dataclass(frozen=True)
class Piece:
    """A run of presses that reads as one thing: text typed, a chord, or a dead key left waiting."""

    kind: str  # "text", "chord" or "dead"
    what: str
    here: str = ""  # a shortcut's name by the characters of the layout, where it differs
    times: int = 1


def pieces(presses: Iterable[Press], host: Layout) -> list[Piece]:
    """What the presses come to on this layout. Text runs together; equal chords count as times."""
    found: list[Piece] = []
    for (kind, what, here), run in groupby(
        _single(presses, host), key=lambda piece: (piece.kind, piece.what, piece.here)
    ):
        times = len(list(run))
        if kind == "text" and found and found[-1].kind == "text":
            found[-1] = Piece("text", found[-1].what + what * times)
        elif kind == "text":
            found.append(Piece("text", what * times))
        else:
            found.append(Piece(kind, what, here, times))
    return [_bare_spaces(piece) for piece in found]


def _bare_spaces(piece: Piece) -> Piece:
    blank = piece.kind == "text" and not piece.what.strip(" ")
    return Piece("chord", "Space", times=len(piece.what)) if blank else piece


def _single(presses: Iterable[Press], host: Layout) -> Iterator[Piece]:
    waiting: tuple[str, str] | None = None  # dead key and the chord that pressed it
    for modifiers, usages in presses:
        chord = chord_name(modifiers, usages)
        if len(usages) == 1:
            dead = host.dead_key(modifiers, usages[0])
            character = host.character(modifiers, usages[0])
            composed = host.composed(waiting[0], character) if waiting and character else ""
            if composed:
                waiting = None
                yield Piece("text", composed)
                continue
            if waiting:
                yield Piece("dead", waiting[1])
                waiting = None
            if dead:
                waiting = (dead, chord)
                continue
            if character:
                yield Piece("text", character)
                continue
        elif waiting and usages:
            yield Piece("dead", waiting[1])
            waiting = None
        yield Piece("chord", chord, _here(modifiers, usages, host))
    if waiting:
        yield Piece("dead", waiting[1])


def chord_name(modifiers: int, usages: Iterable[int]) -> str:
    """The chord by its usage names, joined by +."""
    return " + ".join([*modifier_names(modifiers), *(name_of(usage) for usage in usages)])


def _here(modifiers: int, usages: tuple[int, ...], host: Layout) -> str:
    if not modifiers & _COMMANDS:
        return ""
    names = [shortcut_name(host, usage) for usage in usages]
    # Usage names are the legends of a US keyboard, so there is nothing to add where the key is the same as there.
    if names == [shortcut_name(find_layout("us"), usage) for usage in usages]:
        return ""
    return " + ".join([*modifier_names(modifiers), *names])


def quoted(text: str) -> str:
    """Text in quotes as the stroke language takes it, in two parts where it holds both kinds of quotes."""
    if '"' not in text:
        return f'"{text}"'
    if "'" not in text:
        return f"'{text}'"
    cut = max(text.index('"'), text.index("'"))
    return f"{quoted(text[:cut])}, {quoted(text[cut:])}"
