"""Values of settings and readings: Python's types on one side, the text of the line on the other."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation

from airquill.errors import AirquillError
from airquill.link.entries import Argument, Reading, Setting
from airquill_protocol import values as wire
from airquill_protocol.fault import ProtocolError

Value = int | Decimal | str | bool | bytes | None


def from_wire(kind: str, text: str) -> Value:
    """Text of the line to int, Decimal, str (word, text), bool (flag) or bytes (stroke); `-` of a reading to None.

    Raises AirquillError when the other side sent what is no value of that type.
    """
    try:
        if kind == "stroke":
            return bytes(wire.parse_stroke(text))
        if text == "-":
            return None
        if kind == "int":
            return int(text)
        if kind in ("dec1", "dec2"):
            return Decimal(text)
        if kind == "flag":
            return text == "on"
        if kind == "text":
            return bytes(wire.unquote(text)).decode("utf-8", "replace")
    except (ValueError, InvalidOperation, ProtocolError) as error:
        raise AirquillError(
            f"The unit sent {text!r} where a value of type {kind} belongs. Is its firmware sound?", 1
        ) from error
    return text


def to_wire(entry: Setting | Argument, value: Value) -> str:
    """A value to its text. The unit checks ranges; here only the form is made."""
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, bytes):
        return value.hex() or "-"
    if isinstance(value, str) and entry.type == "text":
        return wire.quote(value.encode())
    return _number(value) if isinstance(value, Decimal) else str(value)


def _number(value: Decimal) -> str:
    """Neither 2.50 nor 1E+1: the unit takes the shortest form without exponents."""
    return f"{value.normalize():f}"


def parse_typed(entry: Setting | Argument, path: str, text: str) -> Value:
    """What a person typed for a setting, checked. Raises AirquillError with the range or the possible words.

    Strokes are not parsed here: they have a language of their own (airquill.keys).
    """
    wanted = f"{path} takes {takes(entry)}"
    if entry.type == "word":
        if text not in entry.words:
            raise AirquillError(f"{wanted}, not {text!r}.")
        return text
    if entry.type == "flag":
        if text not in ("on", "off"):
            raise AirquillError(f"{wanted}, not {text!r}.")
        return text == "on"
    if entry.type == "text":
        if len(text.encode()) > entry.highest:
            raise AirquillError(f"{wanted}; this text has {len(text.encode())}.")
        return text
    try:
        number = Decimal(text)
    except InvalidOperation:
        raise AirquillError(f"{wanted}, not {text!r}.") from None
    digits = {"int": 0, "dec1": 1, "dec2": 2}[entry.type]
    if not number.is_finite() or number != round(number, digits) or not entry.lowest <= number <= entry.highest:
        raise AirquillError(f"{wanted}, not {text}.")
    return int(number) if digits == 0 else number


def takes(entry: Setting | Argument) -> str:
    if entry.type == "word":
        return "one of " + ", ".join(entry.words)
    if entry.type == "flag":
        return "on or off"
    if entry.type == "text":
        return f"at most {entry.highest} bytes of text"
    digits = {"int": "whole numbers", "dec1": "numbers with one decimal", "dec2": "numbers with two decimals"}[
        entry.type
    ]
    unit = f" {entry.unit}" if entry.unit else ""
    return f"{digits} from {entry.lowest} to {entry.highest}{unit}"


def plain(value: Value) -> str:
    """A value without its unit, for people: `-` when the unit has no part for it."""
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, Decimal):
        return _number(value)
    return value.hex() if isinstance(value, bytes) else str(value)


def show(entry: Setting | Reading, value: Value) -> str:
    """A value with its unit, for people."""
    if value is None:
        return "not there"
    return f"{plain(value)} {entry.unit}".rstrip()
