"""The registry, checked and laid out in slots."""

from __future__ import annotations

import json
import re
import zlib
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

TYPES = ("int", "dec1", "dec2", "word", "flag", "text", "stroke")
DIGITS = {"int": 0, "dec1": 1, "dec2": 2}


def scaled(value: Any, kind: str) -> int:
    """A number of the registry as the int that the unit holds."""
    exact = Decimal(str(value)).scaleb(DIGITS.get(kind, 0))
    if exact != int(exact):
        raise SystemExit(f"registry: {value} has more digits than {kind} can hold")
    return int(exact)


@dataclass(frozen=True)
class Row:
    """One setting or reading; `first`, `stride`, `count` say which slots it has."""

    id: int
    path: str
    type: str
    help: str
    first: int
    stride: int
    count: int
    unit: str = ""
    words: tuple[str, ...] = ()
    lo: int = 0
    hi: int = 0
    defaults: tuple[Any, ...] = ()
    live: bool = False
    keep: str = "profile"
    needs: str = ""
    since: int = 1

    @property
    def constant(self) -> str:
        return self.path.replace("#", "N").replace(".", "_").upper()

    @property
    def group(self) -> str:
        return self.path.partition(".")[0]

    @property
    def field(self) -> str:
        return self.path.partition(".")[2]

    def paths(self) -> list[str]:
        if self.count == 1 and "#" not in self.path:
            return [self.path]
        return [self.path.replace("#", str(n + 1)) for n in range(self.count)]


@dataclass
class Registry:
    """All of registry.toml in the shape the writers need. Raises SystemExit with a sentence when it is unsound."""

    raw: dict[str, Any]
    settings: list[Row] = field(init=False)
    readings: list[Row] = field(init=False)
    slots: int = field(init=False)
    reading_slots: int = field(init=False)
    groups: dict[str, tuple[int, int, int]] = field(init=False)  # repeated group -> first slot, stride, count

    def __post_init__(self) -> None:
        self.groups = {}
        self._check_numbers()
        self.settings, self.slots = self._lay_out("settings", blocks=True)
        self.readings, self.reading_slots = self._lay_out("readings", blocks=False)
        if self.slots > 255:
            raise SystemExit("registry: more than 255 slots; the packed tables hold a slot in one byte")

    def _check_numbers(self) -> None:
        for part, key in (
            ("settings", "id"),
            ("readings", "id"),
            ("actions", "id"),
            ("events", "id"),
            ("rules", "id"),
            ("faults", "number"),
            ("errors", "number"),
        ):
            used = [row[key] for row in self.raw[part]["rows"]] + list(self.raw["retired"].get(part, []))
            twice = {n for n in used if used.count(n) > 1}
            if twice:
                raise SystemExit(f"registry: {part}: {key} {sorted(twice)} used twice; numbers are never used again")

    def _lay_out(self, part: str, blocks: bool) -> tuple[list[Row], int]:
        """Give rows their slots. With `blocks` the instances of a repeated group lie one after another."""
        rows, slot, out = self.raw[part]["rows"], 0, []
        at = 0
        while at < len(rows):
            group = rows[at]["path"].partition(".")[0]
            if "#" not in group or not blocks:
                count = self.raw["repeat"][group[:-1]] if "#" in group else 1
                out.append(self._row(rows[at], slot, 1 if count > 1 else 0, count))
                slot += count
                at += 1
                continue
            members = [r for r in rows if r["path"].startswith(group + ".")]
            if [r["path"] for r in rows[at : at + len(members)]] != [r["path"] for r in members]:
                raise SystemExit(f"registry: the rows of {group} must stand together")
            count = self.raw["repeat"][group[:-1]]
            self.groups[group[:-1]] = (slot, len(members), count)
            out += [self._row(r, slot + n, len(members), count) for n, r in enumerate(members)]
            slot += len(members) * count
            at += len(members)
        return out, slot

    def _row(self, row: dict[str, Any], first: int, stride: int, count: int) -> Row:
        kind, words = row["type"], tuple(row.get("words", ()))
        if kind not in TYPES:
            raise SystemExit(f"registry: {row['path']}: unknown type {kind}")
        default = row.get("default")
        defaults = tuple(default) if isinstance(default, list) else (default,) * count
        if len(defaults) != count:
            raise SystemExit(f"registry: {row['path']}: {len(defaults)} defaults for {count} instances")
        lo, hi = scaled(row.get("min", 0), kind), scaled(row.get("max", 0), kind)
        if kind == "word":
            lo, hi = 0, len(words) - 1
        if kind == "flag":
            lo, hi = 0, 1
        return Row(
            row["id"],
            row["path"],
            kind,
            row["help"],
            first,
            stride,
            count,
            row.get("unit", ""),
            words,
            lo,
            hi,
            defaults,
            row.get("live", False),
            row.get("keep", "profile"),
            row.get("needs", ""),
            row.get("since", 1),
        )

    def default_value(self, row: Row, instance: int) -> int | bytes:
        """A default as the unit holds it."""
        default = row.defaults[instance]
        if row.type in ("text",):
            return str(default).encode()
        if row.type == "stroke":
            return bytes.fromhex(default)
        if row.type == "word":
            return row.words.index(default)
        if row.type == "flag":
            return int(default)
        return scaled(default, row.type)

    def slot(self, path: str) -> int:
        for row in self.settings:
            if path in row.paths():
                return row.first + row.paths().index(path) * row.stride
        raise SystemExit(f"registry: no setting {path}")

    def rules(self) -> list[tuple[int, int, int, int]]:
        """(low slot, high slot, slot that lifts the rule when zero or -1, equal allowed), instances spelt out."""
        out = []
        for rule in self.raw["rules"]["rows"]:
            names = [rule["low"], rule["high"], rule.get("unless_zero", "")]
            group = re.match(r"(\w+)#", rule["low"])
            for n in range(self.raw["repeat"][group[1]] if group else 1):
                low, high, zero = (name.replace("#", str(n + 1)) for name in names)
                out.append(
                    (self.slot(low), self.slot(high), self.slot(zero) if zero else -1, int(rule.get("equal", False)))
                )
        return out

    def hash(self) -> str:
        """Eight hex digits over all that a program depends on: everything but the help texts."""

        def bare(value: Any) -> Any:
            if isinstance(value, dict):
                return {k: bare(v) for k, v in value.items() if k != "help"}
            return [bare(v) for v in value] if isinstance(value, list) else value

        return f"{zlib.crc32(json.dumps(bare(self.raw), sort_keys=True).encode()):08x}"
