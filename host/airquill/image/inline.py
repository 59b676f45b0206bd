"""Constants of one firmware module, put in by value where another one uses them.

mpy-cross folds `const()` within a module only; across modules every `t.PUMP_RAMP_MS` would be looked up by name at run
time and its name kept in the chip's memory. Source text in, source text out; line numbers stay.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Mapping

_CONSTANT = re.compile(r"[A-Z][A-Z0-9_]*")
_GENERATED = "airquill_protocol.tables"
"""Its constants are there to be put in; on the chip nothing asks it for one by name."""

Constants = Mapping[str, Mapping[str, int]]


def constants(sources: Mapping[str, str]) -> dict[str, dict[str, int]]:
    """Integer constants by module, of `sources` (module name to text). A module that does not parse has none."""
    return {name: _constants_of(text) for name, text in sources.items()}


def _parsed(text: str) -> ast.Module | None:
    try:
        return ast.parse(text)
    except SyntaxError:
        return None  # mpy-cross says where


def _constants_of(text: str) -> dict[str, int]:
    tree = _parsed(text)
    out: dict[str, int] = {}
    for node in tree.body if tree else []:
        if not isinstance(node, ast.Assign) or not isinstance(node.targets[0], ast.Name):
            continue
        value = node.value
        if isinstance(value, ast.Call) and isinstance(value.func, ast.Name) and value.func.id == "const":
            value = value.args[0]
        if _CONSTANT.fullmatch(node.targets[0].id) and isinstance(value, ast.Constant) and type(value.value) is int:
            out[node.targets[0].id] = value.value
    return out


def inlined(module: str, text: str, known: Constants) -> str:
    """`text` of `module` with the constants of the modules it imports put in."""
    tree = _parsed(text)
    if tree is None:
        return text
    modules: dict[str, Mapping[str, int]] = {}
    names: dict[str, int] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                own = alias.asname or alias.name
                if f"{node.module}.{alias.name}" in known:
                    modules[own] = known[f"{node.module}.{alias.name}"]
                elif alias.name in known.get(node.module, {}):
                    names[own] = known[node.module][alias.name]
    edits: list[tuple[int, int, int, int]] = []
    for node in ast.walk(tree):
        value = None
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            value = modules.get(node.value.id, {}).get(node.attr)
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
            value = names.get(node.id)
        if value is not None and isinstance(node, ast.expr):
            edits.append((node.lineno, node.col_offset, node.end_col_offset or 0, value))
    lines = [line.encode() for line in text.splitlines(keepends=True)]
    for number, start, end, value in sorted(edits, reverse=True):
        line = lines[number - 1]
        lines[number - 1] = line[:start] + str(value).encode() + line[end:]
    text = b"".join(lines).decode()
    return re.sub(r"(?m)^[A-Z][A-Z0-9_]* = -?\d+$", "", text) if module == _GENERATED else text
