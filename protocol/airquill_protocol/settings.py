"""The registry's settings and readings by slot: names, types, ranges, rules. Reads the packed tables.

A slot is one setting of one instance; `values` is the list of a unit's values, one a slot.
"""

from struct import unpack_from

from airquill_protocol import tables as t
from airquill_protocol import values as v
from airquill_protocol.compat import const
from airquill_protocol.fault import ProtocolError

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

_ROW = const(20)  # bytes of a packed row; see generate.py
_ID = const(0)
_TYPE = const(1)
_FLAGS = const(2)
_UNIT = const(3)
_WORDS = const(4)
_NEEDS = const(5)
_FIRST = const(6)
_STRIDE = const(7)
_COUNT = const(8)
_SINCE = const(9)
_PATH = const(10)
_RANGE = const(12)
_RULE = const(4)  # bytes: low, high, the slot whose zero lifts it, may they be equal
_NO_SLOT = const(255)
_LIVE = const(1)
_KEEP_UNIT = const(2)


def _find(rows: bytes, names: bytes, groups: "dict[bytes, tuple[int, int, int]]", path: str) -> int:
    """Slot of a path in a table, or -1. `pedal2.tap_keys` is row `pedal#.tap_keys`, instance 1.

    All in bytes: each new str costs MicroPython a search through all the names it knows.
    """
    name = path.encode()
    number = 0
    dot = name.find(b".")
    group = name[:dot]
    if dot < 1 or b" " in name or b"#" in name:
        return -1
    if group not in groups:
        number = name[dot - 1] - 0x31  # from digit 1
        group = name[: dot - 1] + b"#"
        if not 0 <= number < 9 or group not in groups:
            return -1
        name = group + name[dot:]
    first, start, end = groups[group]
    at = names.find(b" " + name + b" ", start, end)
    if at < 0:
        return -1
    row: int = (first + names.count(b" ", start, at)) * _ROW
    if number >= rows[row + _COUNT]:
        return -1
    return rows[row + _FIRST] + number * rows[row + _STRIDE]


def _path(rows: bytes, names: bytes, row: int, slot: int) -> str:
    base = row * _ROW
    start = rows[base + _PATH] | rows[base + _PATH + 1] << 8
    name = names[start : names.find(b" ", start)].decode()
    if "#" not in name:
        return name
    return name.replace("#", str((slot - rows[base + _FIRST]) // rows[base + _STRIDE] + 1))


def find(path: str) -> int:
    """Slot of a setting's path, or -1."""
    return _find(t.ROWS, t.PATHS, t.GROUPS, path)


def path(slot: int) -> str:
    return _path(t.ROWS, t.PATHS, t.SLOT_ROW[slot], slot)


def row_id(slot: int) -> int:
    """The registry's id of the slot's row: what a saved record names it by."""
    return t.ROWS[t.SLOT_ROW[slot] * _ROW + _ID]


def instance(slot: int) -> int:
    """Which of a repeated row's settings the slot is, from 0."""
    base = t.SLOT_ROW[slot] * _ROW
    return (slot - t.ROWS[base + _FIRST]) // (t.ROWS[base + _STRIDE] or 1)


def slot_of(identity: int, number: int) -> int:
    """Slot of a row id and an instance, or -1 when this firmware does not know it."""
    for base in range(0, len(t.ROWS), _ROW):
        if t.ROWS[base + _ID] == identity:
            if number >= t.ROWS[base + _COUNT]:
                return -1
            return t.ROWS[base + _FIRST] + number * t.ROWS[base + _STRIDE]
    return -1


def kind(slot: int) -> int:
    return t.ROWS[t.SLOT_ROW[slot] * _ROW + _TYPE]


def words(slot: int) -> str:
    """The possible words, separated by spaces."""
    return t.WORDS[t.ROWS[t.SLOT_ROW[slot] * _ROW + _WORDS]]


def unit(slot: int) -> str:
    return t.UNITS[t.ROWS[t.SLOT_ROW[slot] * _ROW + _UNIT]]


def since(slot: int) -> int:
    return t.ROWS[t.SLOT_ROW[slot] * _ROW + _SINCE]


def limits(slot: int) -> "tuple[int, int]":
    """(lowest, highest) value; for text and stroke the bytes it may have."""
    lo, hi = unpack_from("<ii", t.ROWS, t.SLOT_ROW[slot] * _ROW + _RANGE)
    return lo, hi


def live(slot: int) -> bool:
    """May it change while vacuum is on?"""
    return bool(t.ROWS[t.SLOT_ROW[slot] * _ROW + _FLAGS] & _LIVE)


def stays(slot: int) -> bool:
    """Does it stay with this unit (calibration, serial), rather than travel in a profile?"""
    return bool(t.ROWS[t.SLOT_ROW[slot] * _ROW + _FLAGS] & _KEEP_UNIT)


def parse(slot: int, text: str) -> "int | bytes":
    """Text to the slot's value; raises ProtocolError."""
    lo, hi = limits(slot)
    return v.parse(kind(slot), words(slot), lo, hi, text, path(slot))


def render(slot: int, value: "Any") -> str:
    return v.render(kind(slot), words(slot), value)


def fits(slot: int, value: "Any") -> bool:
    """Would this value, from a record of another version, be one that the slot may have?"""
    lo, hi = limits(slot)
    if kind(slot) >= v.TEXT:
        return isinstance(value, bytes) and len(value) <= hi
    return isinstance(value, int) and lo <= value <= hi


def default_values() -> "list[Any]":
    """A fresh list of factory values, one a slot."""
    out = list(unpack_from("<%di" % t.SLOTS, t.DEFAULTS, 0))
    for slot in t.TEXT_SLOTS:
        out[slot] = t.TEXT_DEFAULTS[out[slot]]
    return out


def default(slot: int) -> "Any":
    """The slot's factory value."""
    value = unpack_from("<i", t.DEFAULTS, slot * 4)[0]
    return t.TEXT_DEFAULTS[value] if kind(slot) >= v.TEXT else value


def check_rules(values: "list[Any]") -> None:
    """Check the rules between fields; raises ProtocolError naming both fields and their values."""
    rules = t.RULES
    for at in range(0, len(rules), _RULE):
        low, high = rules[at], rules[at + 1]
        if values[low] < values[high] or (rules[at + 2] != _NO_SLOT and not values[rules[at + 2]]):
            continue
        if values[low] > values[high] or not rules[at + 3]:
            raise ProtocolError(
                t.E_RULE,
                "%s=%s must be below %s=%s"
                % (path(low), render(low, values[low]), path(high), render(high, values[high])),
            )


def find_reading(name: str) -> int:
    """Index of a reading's path, or -1."""
    return _find(t.READING_ROWS, t.READING_PATHS, t.READING_GROUPS, name)


def reading_path(index: int) -> str:
    return _path(t.READING_ROWS, t.READING_PATHS, t.READING_ROW[index], index)


def reading_needs(index: int) -> str:
    """The capability a reading needs (its registry word), or an empty text."""
    return t.CAPABILITIES[t.READING_ROWS[t.READING_ROW[index] * _ROW + _NEEDS]]


def reading_unit(index: int) -> str:
    return t.UNITS[t.READING_ROWS[t.READING_ROW[index] * _ROW + _UNIT]]


def reading_kind(index: int) -> int:
    return t.READING_ROWS[t.READING_ROW[index] * _ROW + _TYPE]


def reading_words(index: int) -> str:
    return t.WORDS[t.READING_ROWS[t.READING_ROW[index] * _ROW + _WORDS]]


def render_reading(index: int, value: "Any") -> str:
    return v.render(reading_kind(index), reading_words(index), value)
