"""A profile file: TOML with a table [profile] about the file, and one table for each group of the registry.

    [profile]
    registry = 1
    layout = "us"

    [pump]
    idle_pct = 35

    [pedal2]
    tap_keys = "Page Down"

    ["x.grip_lamp"]
    held_pct = 60

Strokes are written in the stroke language; quoted text in them is typed for the profile's layout. Settings of an
add-on (`x.`) are judged where there is a unit that has it: see exchange.py.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from airquill.errors import AirquillError
from airquill.keys import layout as find_layout
from airquill.link.catalogue import REGISTRY, SETTINGS
from airquill.link.convert import Value, takes, to_wire
from airquill.link.entries import ADDON, Setting
from airquill.link.lookup import did_you_mean
from airquill.profile.model import Settings
from airquill.profile.written import read_stroke
from airquill_protocol import settings as slots
from airquill_protocol.fault import ProtocolError
from airquill_protocol.values import parse as parse_wire

ABOUT = "profile"
_ABOUT_KEYS = {"registry": int, "layout": str, "title": str}
_ENTRIES = {entry.path: entry for entry in SETTINGS}


@dataclass(frozen=True)
class Profile:
    """What a profile file says. `values` are those it holds, by path; all else is left as the unit has it."""

    registry: int
    layout: str
    title: str
    values: dict[str, Value]
    warnings: tuple[str, ...] = ()


def travelling(entries: tuple[Setting, ...]) -> list[Setting]:
    """The settings that a profile may hold: not those that stay with a unit."""
    return [entry for entry in entries if entry.keep == "profile"]


def load(path: Path) -> Profile:
    """Read and check a profile file. Raises AirquillError with one line for each thing that is wrong in it."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise AirquillError(f"{path} cannot be read: {error.strerror}.") from error
    except UnicodeDecodeError:
        raise AirquillError(f"{path} is no text in UTF-8. Name a profile file.") from None
    return read(text, str(path))


def read(text: str, name: str) -> Profile:
    """Check the text of a profile; `name` is what error sentences call it. Raises AirquillError."""
    try:
        # Decimals stay as they are written, so that 0.1 is one tenth.
        data = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise AirquillError(f"{name} is no TOML: {error}.") from error
    about = _about(data.pop(ABOUT, None), name)
    problems: list[str] = []
    addons = _addon_values(data, problems)
    values = _values(data, about.layout, problems)
    if problems:
        raise AirquillError("\n".join(f"{name}: {problem}" for problem in problems))
    warning = _check_rules(values, name)
    return Profile(about.registry, about.layout, about.title, values | addons, (warning,) if warning else ())


def _addon_values(data: dict[str, Any], problems: list[str]) -> dict[str, Value]:
    """The add-ons' settings, taken out of `data`: of tables ["x.NAME"] and [x.NAME], which look alike to a reader."""
    tables = {key: data.pop(key) for key in list(data) if key.startswith(ADDON)}
    nested = data.pop(ADDON.rstrip("."), {})
    if isinstance(nested, dict):
        tables |= {ADDON + name: table for name, table in nested.items()}
    else:
        problems.append('x is no setting. Write ["x.NAME"] and the settings of that add-on below.')
    values: dict[str, Value] = {}
    for group, table in tables.items():
        if not isinstance(table, dict):
            problems.append(f'{group} is a table, not {_short(table)}. Write ["{group}"] and its settings below.')
            continue
        for key, value in table.items():
            if isinstance(value, int | Decimal | str):
                values[f"{group}.{key}"] = value
            else:
                problems.append(f"{group}.{key} takes a number, text, true or false, not {_short(value)}.")
    return values


def _about(table: Any, name: str) -> Profile:
    if not isinstance(table, dict) or "registry" not in table:
        raise AirquillError(f"{name} does not say which registry it is for. Add [profile] with registry = {REGISTRY}.")
    registry = table["registry"]
    if type(registry) is not int or registry < 1:
        raise AirquillError(f"{name}: profile.registry is a whole number from 1, such as {REGISTRY}; not {registry!r}.")
    # Before anything else: a newer file may hold what this program cannot judge.
    if registry > REGISTRY:
        raise AirquillError(
            f"{name} is for registry {registry}, and this Airquill knows up to {REGISTRY}. Update Airquill on this PC."
        )
    for key, value in table.items():
        if key not in _ABOUT_KEYS:
            raise AirquillError(f"{name}: there is no profile.{key}.{did_you_mean(key, _ABOUT_KEYS)}")
        if not isinstance(value, _ABOUT_KEYS[key]):
            raise AirquillError(f"{name}: profile.{key} is text in quotes, not {value}.")
    layout = find_layout(table.get("layout", "us")).name
    return Profile(registry, layout, table.get("title", ""), {})


def _values(data: dict[str, Any], layout: str, problems: list[str]) -> dict[str, Value]:
    try:
        model = Settings.model_validate(data)
    except ValidationError as error:
        problems += [_problem(detail) for detail in error.errors()]
        return {}
    values: dict[str, Value] = {}
    for group, fields in model.model_dump(exclude_unset=True).items():
        for key, value in fields.items():
            path = f"{group}.{key}"
            entry = _ENTRIES[path]
            try:
                if entry.type == "stroke":
                    value = read_stroke(path, value, layout)
                elif entry.type == "text":
                    _check_length(entry, value)
                elif isinstance(value, Decimal) and isinstance(data[group][key], str):
                    raise AirquillError(f"{path} takes {takes(entry)}, not {_short(data[group][key])}.")
                values[path] = value
            except AirquillError as error:
                problems.append(error.sentence)
    return values


def _check_length(entry: Setting, text: str) -> None:
    # The model counts characters; the unit keeps bytes.
    if len(text.encode()) > entry.highest:
        raise AirquillError(f"{entry.path} takes {takes(entry)}; this text has {len(text.encode())}.")


def _problem(detail: Any) -> str:
    """One error of the model as a sentence."""
    path = ".".join(str(part) for part in detail["loc"][:2])
    entry = _ENTRIES.get(path)
    if detail["type"] == "extra_forbidden":
        if entry is not None:
            return f"{path} stays with its unit and cannot travel in a profile. Take it out."
        kind = "setting" if "." in path else "table"
        names = [other.path for other in travelling(SETTINGS)]
        return f"there is no {kind} {path}.{did_you_mean(path, names if '.' in path else _groups())}"
    if entry is None:
        return f"{path} is a table, not {_short(detail['input'])}. Write [{path}] and its settings below."
    return f"{path} takes {takes(entry)}, not {_short(detail['input'])}."


def _groups() -> Iterator[str]:
    return iter(dict.fromkeys(entry.path.partition(".")[0] for entry in travelling(SETTINGS)))


def _short(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _check_rules(values: dict[str, Value], name: str) -> str:
    """Rules between fields, with factory values where the file says nothing. Returns a warning, or an empty text.

    Raises AirquillError when the file contradicts itself, whatever the unit has.
    """
    whole = slots.default_values()
    for path, value in values.items():
        slot = slots.find(path)
        lowest, highest = slots.limits(slot)
        text = to_wire(_ENTRIES[path], value)
        whole[slot] = parse_wire(slots.kind(slot), slots.words(slot), lowest, highest, text, path)
    try:
        slots.check_rules(whole)
    except ProtocolError as error:
        sentence = f"{name}: {error.sentence()}"
        if all(path in values for path in re.findall(r"([\w.]+)=", error.subject)):
            raise AirquillError(sentence) from error
        return f"{sentence} One of them is the factory setting; a unit that has it will refuse this profile."
    return ""
