"""Typed value <-> text.

Inside, a number is an int (decimals scaled by 10 or 100), a word its index, a flag 0 or 1, text and stroke are bytes.
On the wire a stroke is its bytes in hex and a text stands in double quotes; both sides use these functions.
"""

from binascii import hexlify, unhexlify

from airquill_protocol import tables as t
from airquill_protocol.compat import const
from airquill_protocol.fault import ProtocolError

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

INT = const(0)
DEC1 = const(1)
DEC2 = const(2)
WORD = const(3)
FLAG = const(4)
TEXT = const(5)
STROKE = const(6)

_SCALE = (1, 10, 100)
_QUOTE = const(0x22)
_BACKSLASH = const(0x5C)


def parse_number(text: str, digits: int, subject: str = "") -> int:
    """Text of a number to an int scaled by 10**digits, without floats. Raises wrong_type."""
    if text.isdigit() and len(text) <= 7:
        return int(text) * _SCALE[digits]
    body = text[1:] if text[:1] in ("-", "+") else text
    whole, dot, part = body.partition(".")
    # The short length limits keep every value a small int on the chip before the range is checked.
    if not whole.isdigit() or len(whole) > 7 or (dot and not part.isdigit()) or len(part) > digits:
        raise ProtocolError(t.E_WRONG_TYPE, subject + "=" + text if subject else text)
    value = int(whole) * _SCALE[digits]
    if part:
        value += int(part) * _SCALE[digits - len(part)]
    return -value if text[:1] == "-" else value


def format_number(value: int, digits: int) -> str:
    """An int scaled by 10**digits to its shortest text."""
    if digits == 0:
        return str(value)
    scale = _SCALE[digits]
    if value < 0:
        return "-" + format_number(-value, digits)
    part = value % scale
    if part == 0:
        return str(value // scale)
    if digits == 2 and part % 10:
        return "%d.%02d" % (value // scale, part)
    return "%d.%d" % (value // scale, part * 10 // scale)


def quote(value: bytes) -> str:
    """Bytes to printable text in double quotes; what is not printable ASCII becomes \\xHH."""
    for byte in value:
        if not 32 <= byte < 127 or byte == _QUOTE or byte == _BACKSLASH:
            break
    else:
        return '"' + value.decode() + '"'
    out = '"'
    for byte in value:
        if byte == _QUOTE or byte == _BACKSLASH:
            out += "\\" + chr(byte)
        elif byte == 10:
            out += "\\n"
        elif 32 <= byte < 127:
            out += chr(byte)
        else:
            out += "\\x" + "0123456789abcdef"[byte >> 4] + "0123456789abcdef"[byte & 15]
    return out + '"'


def unquote(text: str, subject: str = "") -> bytes:
    """The bytes that a quoted text stands for. Raises wrong_type."""
    wrong = subject or text
    if len(text) < 2 or text[0] != '"' or text[-1] != '"':
        raise ProtocolError(t.E_WRONG_TYPE, wrong)
    plain = text.encode()[1:-1]
    for byte in plain:
        if not 32 <= byte < 127 or byte == _QUOTE or byte == _BACKSLASH:
            break
    else:
        return plain
    out = bytearray()
    at, end = 1, len(text) - 1
    while at < end:
        char = text[at]
        at += 1
        if char == '"' or not 32 <= ord(char) < 127:
            raise ProtocolError(t.E_WRONG_TYPE, wrong)
        if char != "\\":
            out.append(ord(char))
            continue
        char = text[at] if at < end else ""
        at += 1
        if char == "n":
            out.append(10)
        elif char == '"' or char == "\\":
            out.append(ord(char))
        elif char == "x" and at + 2 <= end:
            out.append(_hex_byte(text[at : at + 2], wrong))
            at += 2
        else:
            raise ProtocolError(t.E_WRONG_TYPE, wrong)
    return bytes(out)


def _hex_byte(text: str, subject: str) -> int:
    try:
        return unhexlify(text)[0]
    except (ValueError, IndexError):
        raise ProtocolError(t.E_WRONG_TYPE, subject) from None


def parse_stroke(text: str, subject: str = "") -> bytes:
    """Hex of a stroke program to its bytes; `-` is the empty one. Raises stroke_form."""
    if text == "-":
        return b""
    try:
        # MicroPython's unhexlify takes str; both refuse odd lengths and other characters.
        return unhexlify(text)
    except ValueError:
        raise ProtocolError(t.E_STROKE_FORM, subject) from None


def parse(kind: int, words: str, lo: int, hi: int, text: str, subject: str = "") -> "int | bytes":
    """Text to a value of type `kind`, checked against its range (bytes long for text and stroke).

    words: the possible words, separated by spaces. Raises ProtocolError.
    """
    if kind <= DEC2:
        value = parse_number(text, kind, subject)
        if not lo <= value <= hi:
            raise ProtocolError(
                t.E_OUT_OF_RANGE,
                "%s=%s (%s to %s)" % (subject, text, format_number(lo, kind), format_number(hi, kind)),
            )
        return value
    if kind == WORD:
        possible = words.split(" ")
        if text not in possible:
            raise ProtocolError(t.E_UNKNOWN_WORD, "%s=%s (%s)" % (subject, text, ", ".join(possible)))
        return possible.index(text)
    if kind == FLAG:
        if text not in ("on", "off"):
            raise ProtocolError(t.E_UNKNOWN_WORD, "%s=%s (on, off)" % (subject, text))
        return 1 if text == "on" else 0
    data = parse_stroke(text, subject) if kind == STROKE else unquote(text, subject)
    if len(data) > hi:
        raise ProtocolError(t.E_TOO_LONG, "%s (at most %d bytes)" % (subject, hi))
    return data


def render(kind: int, words: str, value: "Any") -> str:
    """A value to its text on the wire."""
    if kind <= DEC2:
        return format_number(value, kind)
    if kind == WORD:
        word: str = words.split(" ")[value]
        return word
    if kind == FLAG:
        return "on" if value else "off"
    data: bytes = value
    if kind == STROKE:
        return hexlify(data).decode() if data else "-"
    return quote(data)


def action_id(actions: "dict[int, Any]", name: str) -> int:
    """Number of the action of this name in a registry's table of actions. Raises unknown_action."""
    for identity in actions:
        if actions[identity][0] == name:
            return identity
    raise ProtocolError(t.E_UNKNOWN_ACTION, name)


def arguments(wanted: "tuple[Any, ...]", texts: "list[str]") -> "list[Any]":
    """Values of an action's arguments, what is left out by its default. Raises ProtocolError.

    wanted: of each argument (name, type, lowest, highest, words, default or None), as in a table of actions.
    """
    if len(texts) > len(wanted):
        raise ProtocolError(t.E_EXTRA_FIELD, texts[-1])
    out = []
    for n in range(len(wanted)):
        name, kind, lo, hi, words, default = wanted[n]
        if n < len(texts):
            out.append(parse(kind, words, lo, hi, texts[n], name))
        elif default is None:
            raise ProtocolError(t.E_MISSING_FIELD, name)
        else:
            out.append(default)
    return out
