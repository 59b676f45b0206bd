"""profile.schema.json: what an editor needs to check and complete a profile file as it is typed."""

from __future__ import annotations

import json
from typing import Any

from generators.model import DIGITS, Registry, Row


def _property(row: Row) -> dict[str, Any]:
    out: dict[str, Any] = {"description": f"{row.help} ({row.unit})" if row.unit else row.help}
    if row.type == "word":
        return out | {"enum": list(row.words)}
    if row.type == "flag":
        return out | {"type": "boolean"}
    if row.type == "text":
        return out | {"type": "string", "maxLength": row.hi}
    if row.type == "stroke":
        return out | {"type": "string"}
    scale = 10 ** DIGITS[row.type]
    bounds = (
        {"minimum": row.lo / scale, "maximum": row.hi / scale} if scale > 1 else {"minimum": row.lo, "maximum": row.hi}
    )
    return out | {"type": "number" if scale > 1 else "integer"} | bounds


def text(registry: Registry, mark: str) -> str:
    tables: dict[str, Any] = {}
    for row in registry.settings:
        if row.keep != "profile":
            continue
        for n, path in enumerate(row.paths()):
            table = tables.setdefault(
                path.partition(".")[0], {"type": "object", "additionalProperties": False, "properties": {}}
            )
            default = row.defaults[n]
            shown = {} if row.type == "stroke" else {"default": default}
            table["properties"][row.field] = _property(row) | shown
    schema = {
        "$comment": mark,
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Airquill profile",
        "type": "object",
        "additionalProperties": False,
        "patternProperties": {"^x(\\..+)?$": {"type": "object", "description": "Settings of an add-on."}},
        "properties": {
            "profile": {
                "type": "object",
                "description": "About this file.",
                "additionalProperties": False,
                "required": ["registry"],
                "properties": {
                    "registry": {
                        "type": "integer",
                        "minimum": 1,
                        "description": "Version of the settings list that the file was written for.",
                    },
                    "layout": {
                        "type": "string",
                        "description": "Keyboard layout of the computer, for text in strokes.",
                    },
                    "title": {"type": "string", "description": "What this profile is for."},
                },
            },
            **tables,
        },
        "required": ["profile"],
    }
    return json.dumps(schema, indent=1) + "\n"
