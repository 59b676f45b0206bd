"""Values as a person writes and reads them: strokes in their language, all else as the registry types it."""

from __future__ import annotations

from airquill.errors import AirquillError
from airquill.keys import decode, encode
from airquill.link.convert import Value, parse_typed, show
from airquill.link.entries import Argument, Reading, Setting

NOTHING = "none"


def read_value(entry: Setting | Argument, path: str, text: str, layout: str = "us") -> Value:
    """The value that a text stands for; of a stroke, `none` and the empty text bind nothing. Raises AirquillError."""
    if entry.type != "stroke":
        return parse_typed(entry, path, text)
    return read_stroke(path, text, layout)


def read_stroke(path: str, text: str, layout: str = "us") -> bytes:
    """The program of a stroke as it is written. Raises AirquillError that starts with the path."""
    if text.strip().casefold() in ("", NOTHING):
        return b""
    try:
        return encode(text, layout)
    except AirquillError as error:
        raise AirquillError(f"{path}: {error.sentence}") from error


def stroke_text(program: bytes) -> str:
    """A stroke program in its language; empty when nothing is bound."""
    try:
        return decode(program).text
    except AirquillError:
        return f"damaged ({program.hex()})"


def written(entry: Setting | Reading, value: Value) -> str:
    """A value as a person reads it, with its unit."""
    if isinstance(value, bytes):
        return stroke_text(value) or NOTHING
    if isinstance(value, str) and entry.type == "text":
        return f'"{value}"'
    return show(entry, value)
