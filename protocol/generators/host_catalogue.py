"""host/airquill/link/catalogue.py: the same list for programs on the host, with types and help."""

from __future__ import annotations

from typing import Any

from generators.model import DIGITS, Registry, Row, scaled


def _number(value: int, kind: str) -> str:
    digits = DIGITS.get(kind, 0)
    return f'Decimal("{value / 10**digits:.{digits}f}")' if digits else str(value)


def _setting(registry: Registry, row: Row, path: str, n: int) -> str:
    lowest, highest = _number(row.lo, row.type), _number(row.hi, row.type)
    return (
        f"    Setting({path!r}, {row.id}, {row.type!r}, {lowest}, {highest}, {row.unit!r}, {row.words!r}, "
        f"{_default(registry, row, n)}, {row.live}, {row.keep!r}, {row.since}, {row.help!r}),"
    )


def _default(registry: Registry, row: Row, n: int) -> str:
    default = registry.default_value(row, n)
    if isinstance(default, bytes):
        return repr(default.decode() if row.type == "text" else default)
    if row.type == "word":
        return repr(row.words[default])
    return repr(bool(default)) if row.type == "flag" else _number(default, row.type)


def _reading(row: Row, path: str) -> str:
    return f"    Reading({path!r}, {row.id}, {row.type!r}, {row.unit!r}, {row.words!r}, {row.needs!r}, {row.help!r}),"


def _action(action: dict[str, Any]) -> str:
    args = "".join(f"{_argument(a)}, " for a in action.get("args", []))
    return f"    Action({action['name']!r}, {action['id']}, ({args}), {action.get('needs', '')!r}, {action['help']!r}),"


def _argument(a: dict[str, Any]) -> str:
    kind, words = a["type"], tuple(a.get("words", ()))
    lowest, highest = (_number(scaled(a.get(end, 0), kind), kind) for end in ("min", "max"))
    return f"Argument({a['name']!r}, {kind!r}, {lowest}, {highest}, {a.get('unit', '')!r}, {words!r}, {'default' in a})"


def text(registry: Registry, mark: str) -> str:
    raw = registry.raw
    out = [
        f'"""{mark}"""',
        "",
        "# fmt: off",
        "from decimal import Decimal",
        "",
        "from airquill.link.entries import Action, Argument, Entry, Event, Reading, Setting",
        "",
        f"PROTOCOL = {raw['registry']['protocol']}",
        f"REGISTRY = {raw['registry']['version']}",
        f'REGISTRY_HASH = "{registry.hash()}"',
        f"LINE_BYTES = {raw['registry']['line_bytes']}",
        "",
        "SETTINGS = (  # in slot order",
    ]
    slots: dict[int, str] = {}
    for row in registry.settings:
        for n, path in enumerate(row.paths()):
            slots[row.first + n * row.stride] = _setting(registry, row, path, n)
    out += [slots[n] for n in sorted(slots)] + [")", "", "READINGS = ("]
    for row in registry.readings:
        out += [_reading(row, path) for path in row.paths()]
    out += [")", "", "ACTIONS = ("]
    out += [_action(action) for action in raw["actions"]["rows"]]
    out += [")", "", "EVENTS = ("]
    for e in raw["events"]["rows"]:
        fields = "".join(f"({f['name']!r}, {f['type']!r}), " for f in e["fields"])
        out.append(f"    Event({e['topic']!r}, {e['id']}, ({fields}), {e['help']!r}),")
    out += [")", "", "FAULTS = ("]
    out += [f"    Entry({f['number']}, {f['word']!r}, {f['kind']!r}, {f['help']!r})," for f in raw["faults"]["rows"]]
    out += [")", "", "ERRORS = ("]
    out += [f"    Entry({e['number']}, {e['word']!r}, 'error', {e['help']!r})," for e in raw["errors"]["rows"]]
    out += [")", "", f"CAPABILITIES = {tuple(raw['capabilities']['words'])!r}", ""]
    return "\n".join(out)
