"""host/airquill/profile/model.py: the typed form of a profile file; a setting that is not there is left as it is."""

from __future__ import annotations

from generators.model import DIGITS, Registry, Row


def _annotation(row: Row) -> str:
    note = f"description={row.help!r}"
    if row.unit:
        note += f", json_schema_extra={{'unit': {row.unit!r}}}"
    if row.type == "word":
        return f"Annotated[Literal[{', '.join(map(repr, row.words))}] | None, Field({note})]"
    if row.type == "flag":
        return f"Annotated[bool | None, Field({note}, strict=True)]"
    if row.type == "text":
        return f"Annotated[str | None, Field({note}, max_length={row.hi})]"
    if row.type == "stroke":
        return f"Annotated[str | None, Field({note})]"
    if row.type == "int":
        return f"Annotated[int | None, Field({note}, strict=True, ge={row.lo}, le={row.hi})]"
    digits = DIGITS[row.type]
    lo, hi = (f'Decimal("{value / 10**digits:.{digits}f}")' for value in (row.lo, row.hi))
    return f"Annotated[Decimal | None, Field({note}, ge={lo}, le={hi}, decimal_places={digits})]"


def text(registry: Registry, mark: str) -> str:
    groups: dict[str, list[Row]] = {}
    for row in registry.settings:
        if row.keep == "profile":
            groups.setdefault(row.group, []).append(row)
    out = [
        f'"""{mark}"""',
        "",
        "# fmt: off",
        "from decimal import Decimal",
        "from typing import Annotated, Literal",
        "",
        "from pydantic import BaseModel, ConfigDict, Field",
        "",
        "",
        "class Group(BaseModel):",
        '    """A table of a profile file."""',
        "",
        '    model_config = ConfigDict(extra="forbid")',
        "",
    ]
    for group, rows in groups.items():
        name = "Each" + group[:-1].title() if "#" in group else group.title()
        out += ["", f"class {name}(Group):"]
        out += [f"    {row.field}: {_annotation(row)} = None" for row in rows]
        out.append("")
    out += [
        "",
        "class Settings(Group):",
        '    """Every setting that travels in a profile; None leaves the unit\'s value."""',
        "",
    ]
    for group in groups:
        if "#" in group:
            _, _, count = registry.groups[group[:-1]]
            out += [f"    {group[:-1]}{n + 1}: Each{group[:-1].title()} | None = None" for n in range(count)]
        else:
            out.append(f"    {group}: {group.title()} | None = None")
    return "\n".join(out) + "\n"
