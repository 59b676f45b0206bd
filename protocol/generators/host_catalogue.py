"""host/airquill/link/catalogue.py: the same list for programs on the host, with types and help."""

from __future__ import annotations

from generators.model import DIGITS, Registry, Row, scaled


def _number(value: int, kind: str) -> str:
    digits = DIGITS.get(kind, 0)
    return f'Decimal("{value / 10**digits:.{digits}f}")' if digits else str(value)


def _setting(registry: Registry, row: Row, path: str, n: int) -> str:
    default = registry.default_value(row, n)
    if isinstance(default, int):
        shown = (
            repr(row.words[default])
            if row.type == "word"
            else repr(bool(default))
            if row.type == "flag"
            else _number(default, row.type)
        )
    else:
        shown = repr(default.decode()) if row.type == "text" else repr(default)
    return (
        f"    Setting({path!r}, {row.id}, {row.type!r}, {_number(row.lo, row.type)}, {_number(row.hi, row.type)}, {row.unit!r}, "
        f"{row.words!r}, {shown}, {row.live}, {row.keep!r}, {row.since}, {row.help!r}),"
    )


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
        for path in row.paths():
            out.append(
                f"    Reading({path!r}, {row.id}, {row.type!r}, {row.unit!r}, {row.words!r}, {row.needs!r}, {row.help!r}),"
            )
    out += [")", "", "ACTIONS = ("]
    for action in raw["actions"]["rows"]:
        args = ""
        for a in action.get("args", []):
            kind, words = a["type"], tuple(a.get("words", ()))
            lo, hi = _number(scaled(a.get("min", 0), kind), kind), _number(scaled(a.get("max", 0), kind), kind)
            args += (
                f"Argument({a['name']!r}, {kind!r}, {lo}, {hi}, {a.get('unit', '')!r}, {words!r}, {'default' in a}), "
            )
        out.append(
            f"    Action({action['name']!r}, {action['id']}, ({args}), {action.get('needs', '')!r}, {action['help']!r}),"
        )
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
