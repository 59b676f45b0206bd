"""The reference part of docs/protocol.md; what a person wrote above it stays."""

from __future__ import annotations

from generators.model import DIGITS, Registry, Row

START = "<!-- reference: "


def _range(row: Row) -> str:
    if row.type == "word":
        return ", ".join(row.words)
    if row.type in ("text", "stroke"):
        return f"at most {row.hi} bytes"
    if row.type == "flag":
        return "on, off"
    digits = DIGITS[row.type]
    return f"{row.lo / 10**digits:g} to {row.hi / 10**digits:g} {row.unit}".strip()


def _defaults(row: Row) -> str:
    shown = [("on" if d else "off") if row.type == "flag" else f"`{d}`" if d != "" else "empty" for d in row.defaults]
    return shown[0] if len(set(shown)) == 1 else ", ".join(shown)


def text(registry: Registry, mark: str, old: str) -> str:
    raw = registry.raw
    written = old.partition(START)[0].rstrip() or "# The line protocol"
    out = [
        written,
        "",
        f"{START}{mark} -->",
        "",
        "# Reference",
        "",
        f"Protocol {raw['registry']['protocol']}, registry {raw['registry']['version']} (`{registry.hash()}`).",
        "",
        "## Settings",
        "",
        "| id | path | type | range | default | while vacuum is on | |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in registry.settings:
        live = "yes" if row.live else "no"
        help_text = row.help + (" Stays with the unit." if row.keep == "unit" else "")
        cells = (str(row.id), f"`{row.path}`", row.type, _range(row), _defaults(row), live, help_text)
        out.append(f"| {' | '.join(cells)} |")
    out += ["", "### Rules between settings", "", "| id | rule | |", "|---|---|---|"]
    for rule in raw["rules"]["rows"]:
        sign = "<=" if rule.get("equal") else "<"
        unless = f", unless `{rule['unless_zero']}` is 0" if "unless_zero" in rule else ""
        out.append(f"| {rule['id']} | `{rule['low']}` {sign} `{rule['high']}`{unless} | {rule['help']} |")
    out += ["", "## Readings", "", "| id | path | type | unit | needs | |", "|---|---|---|---|---|---|"]
    for row in registry.readings:
        kind = ", ".join(row.words) if row.words else row.type
        out.append(f"| {row.id} | `{row.path}` | {kind} | {row.unit} | {row.needs} | {row.help} |")
    out += ["", "## Actions", "", "| id | action | arguments | needs | |", "|---|---|---|---|---|"]
    for a in raw["actions"]["rows"]:
        args = "; ".join(
            f"{x['name']}: {', '.join(x['words']) if 'words' in x else x['type']}" for x in a.get("args", [])
        )
        out.append(f"| {a['id']} | `{a['name']}` | {args} | {a.get('needs', '')} | {a['help']} |")
    out += ["", "## Events", "", "| id | topic | fields | |", "|---|---|---|---|"]
    out += [
        f"| {e['id']} | `{e['topic']}` | {', '.join(f['name'] for f in e['fields'])} | {e['help']} |"
        for e in raw["events"]["rows"]
    ]
    out += ["", "## Faults and notices", "", "| number | word | kind | |", "|---|---|---|---|"]
    out += [f"| {f['number']} | `{f['word']}` | {f['kind']} | {f['help']} |" for f in raw["faults"]["rows"]]
    out += ["", "## Errors", "", "| number | word | |", "|---|---|---|"]
    out += [f"| {e['number']} | `{e['word']}` | {e['help']} |" for e in raw["errors"]["rows"]]
    return "\n".join(out) + "\n"
