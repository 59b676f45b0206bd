"""airquill_protocol/tables.py: compact, because the chip keeps it in RAM."""

from __future__ import annotations

import struct
from collections.abc import Callable

from generators.model import TYPES, Registry, Row


def _const(name: str, value: int) -> str:
    return f"{name} = {value}"


def _packed(rows: list[Row], words: list[str], units: list[str], needs: list[str]) -> bytes:
    """20 bytes a row: id, type, flags (1 live, 2 stays with the unit), unit, words, needs, first, stride, count, since,
    where its path starts (u16), lowest (i32), highest (i32)."""
    out = b""
    at = 1
    for row in rows:
        flags = int(row.live) | (2 if row.keep == "unit" else 0)
        out += struct.pack(
            "<10BHii",
            row.id,
            TYPES.index(row.type),
            flags,
            units.index(row.unit),
            words.index(" ".join(row.words)),
            needs.index(row.needs),
            row.first,
            row.stride,
            row.count,
            row.since,
            at,
            row.lo,
            row.hi,
        )
        at += len(row.path) + 1
    return out


def _groups(rows: list[Row]) -> dict[bytes, tuple[int, int, int]]:
    """Group -> its first row, and where its paths begin and end among all paths."""
    out: dict[bytes, tuple[int, int, int]] = {}
    at = 0
    for number, row in enumerate(rows):
        first, start, _ = out.get(row.group.encode(), (number, at, 0))
        at += len(row.path) + 1
        out[row.group.encode()] = (first, start, at + 1)
    return out


def _slots(registry: Registry, wanted: Callable[[Row], bool]) -> list[int]:
    """All slots of the wanted settings."""
    return sorted(row.first + n * row.stride for row in registry.settings if wanted(row) for n in range(row.count))


def _slot_rows(rows: list[Row], slots: int) -> bytes:
    out = bytearray(slots)
    for number, row in enumerate(rows):
        for n in range(row.count):
            out[row.first + n * row.stride] = number
    return bytes(out)


def text(registry: Registry, mark: str) -> str:
    raw = registry.raw
    words = [""]
    units = [""]
    needs = ["", *raw["capabilities"]["words"]]
    for row in registry.settings + registry.readings:
        if " ".join(row.words) not in words:
            words.append(" ".join(row.words))
        if row.unit not in units:
            units.append(row.unit)
    text_defaults: list[bytes] = [b""]
    numbers = []
    for slot, number in enumerate(_slot_rows(registry.settings, registry.slots)):
        row = registry.settings[number]
        value = registry.default_value(row, (slot - row.first) // (row.stride or 1))
        if isinstance(value, bytes):
            if value not in text_defaults:
                text_defaults.append(value)
            value = text_defaults.index(value)
        numbers.append(value)
    lines = [f'"""{mark}"""', ""]
    meta = raw["registry"]
    lines += [
        _const("PROTOCOL", meta["protocol"]),
        _const("REGISTRY", meta["version"]),
        f'REGISTRY_HASH = "{registry.hash()}"',
        _const("LINE_BYTES", meta["line_bytes"]),
        _const("STROKE_BYTES", meta["stroke_bytes"]),
        _const("TEXT_CHORDS", meta["text_chords"]),
        _const("SLOTS", registry.slots),
        _const("READINGS", registry.reading_slots),
    ]
    if "store" in raw:
        lines += [
            _const("STORE_" + name.upper(), value) for name, value in raw["store"].items() if isinstance(value, int)
        ]
    for group, (first, stride, count) in registry.groups.items():
        name = group.upper() + "N"
        lines += [_const(name, first), _const(name + "_SIZE", stride), _const(name + "_COUNT", count)]
    for row in registry.settings:
        base = registry.groups[row.group[:-1]][0] if "#" in row.group else 0
        lines.append(_const(row.constant, row.first - base))
    lines += [_const("R_" + row.constant, row.first) for row in registry.readings]
    lines += [_const("A_" + a["name"].upper(), a["id"]) for a in raw["actions"]["rows"]]
    lines += [_const("T_" + e["topic"].upper(), e["id"]) for e in raw["events"]["rows"]]
    lines += [_const("F_" + f["word"].upper(), f["number"]) for f in raw["faults"]["rows"]]
    lines += [_const("E_" + e["word"].upper(), e["number"]) for e in raw["errors"]["rows"]]
    lines += [
        f"ROWS = {_packed(registry.settings, words, units, needs)!r}",
        f"PATHS = {(' ' + ' '.join(r.path for r in registry.settings) + ' ').encode()!r}",
        f"GROUPS = {_groups(registry.settings)!r}",
        f"SLOT_ROW = {_slot_rows(registry.settings, registry.slots)!r}",
        f"DEFAULTS = {struct.pack(f'<{registry.slots}i', *numbers)!r}",
        f"TEXT_SLOTS = {bytes(_slots(registry, lambda row: row.type in ('text', 'stroke')))!r}",
        f"UNIT_SLOTS = {bytes(_slots(registry, lambda row: row.keep == 'unit'))!r}",
        f"TEXT_DEFAULTS = {tuple(text_defaults)!r}",
        f"RULES = {bytes(byte & 0xFF for rule in registry.rules() for byte in rule)!r}",
        f"READING_ROWS = {_packed(registry.readings, words, units, needs)!r}",
        f"READING_PATHS = {(' ' + ' '.join(r.path for r in registry.readings) + ' ').encode()!r}",
        f"READING_GROUPS = {_groups(registry.readings)!r}",
        f"READING_ROW = {_slot_rows(registry.readings, registry.reading_slots)!r}",
        f"WORDS = {tuple(words)!r}",
        f"UNITS = {tuple(units)!r}",
        f"CAPABILITIES = {tuple(needs)!r}",
    ]
    lines.append("# id: (name, capability, arguments as (name, type, lowest, highest, words, default or None))")
    lines.append("ACTIONS = {")
    for action in raw["actions"]["rows"]:
        args = []
        for arg in action.get("args", []):
            row = registry._row({"id": 0, "path": arg["name"], "help": "", **arg}, 0, 0, 1)
            default = registry.default_value(row, 0) if arg.get("default") is not None else None
            args.append((arg["name"], TYPES.index(row.type), row.lo, row.hi, " ".join(row.words), default))
        lines.append(f"    {action['id']}: ({action['name']!r}, {action.get('needs', '')!r}, {tuple(args)!r}),")
    lines += ["}", "# id: (topic, fields as (name, type, words))", "EVENTS = {"]
    for event in raw["events"]["rows"]:
        fields = tuple((f["name"], TYPES.index(f["type"]), " ".join(f.get("words", ()))) for f in event["fields"])
        lines.append(f"    {event['id']}: ({event['topic']!r}, {fields!r}),")
    lines += ["}", "# number: (word, is it a fault that stops the unit?)", "FAULTS = {"]
    lines += [f"    {f['number']}: ({f['word']!r}, {f['kind'] == 'fault'})," for f in raw["faults"]["rows"]]
    lines += ["}", "# number: (word, what to do)", "ERRORS = {"]
    lines += [f"    {e['number']}: ({e['word']!r}, {e['help']!r})," for e in raw["errors"]["rows"]]
    lines += ["}"]
    return "\n".join(lines) + "\n"
