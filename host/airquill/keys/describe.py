"""A stroke program in words."""

from __future__ import annotations

from airquill.keys.layouts import layout as find_layout
from airquill.keys.strokes import decode
from airquill.keys.wording import Piece, pieces, quoted


def describe(program: bytes, layout: str = "us") -> str:
    """What a stroke program types and does on a host of this layout, as a phrase.

    Raises AirquillError for a damaged program or an unknown layout.
    """
    host = find_layout(layout)
    chords = decode(program).chords
    return phrase(pieces(((chord.modifiers, chord.usages) for chord in chords), host)) or "nothing bound"


def phrase(found: list[Piece]) -> str:
    """Pieces joined to a phrase that has the stroke as its subject."""
    phrases = []
    for piece in found:
        again = f" {piece.times} times" if piece.times > 1 else ""
        if piece.kind == "text":
            phrases.append(f"types {quoted(piece.what)}")
        elif piece.kind == "dead":
            phrases.append(f"presses {piece.what}{again} (a dead key, which waits for a letter)")
        else:
            phrases.append(f"presses {piece.what}{again}" + (f" ({piece.here} on that keyboard)" if piece.here else ""))
    return ", then ".join(phrases)
