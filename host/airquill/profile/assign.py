"""`PATH=VALUE` and an action's arguments, as they are typed on a command line."""

from __future__ import annotations

from collections.abc import Sequence

from airquill.errors import AirquillError
from airquill.link.convert import Value
from airquill.link.entries import Action, Setting
from airquill.link.lookup import find_setting
from airquill.profile.written import read_value


def read_assignments(texts: Sequence[str], entries: Sequence[Setting], layout: str = "us") -> dict[str, Value]:
    """The values of `PATH=VALUE` texts, by path. Raises AirquillError for the first that is wrong."""
    values: dict[str, Value] = {}
    for text in texts:
        path, sign, value = text.partition("=")
        path = path.strip()
        if not sign:
            raise AirquillError(f"{text} sets nothing. Write PATH=VALUE, without spaces around the sign.")
        entry = find_setting(path, entries)
        if path in values:
            raise AirquillError(f"{path} is there twice. Give it one value.")
        values[path] = read_value(entry, path, value.strip(), layout)
    return values


def read_arguments(action: Action, texts: Sequence[str], layout: str = "us") -> list[Value]:
    """The values of an action's arguments. Raises AirquillError for a wrong number of them, or a wrong value."""
    wanted = action.arguments
    fewest = sum(not argument.optional for argument in wanted)
    if not fewest <= len(texts) <= len(wanted):
        names = " ".join(argument.name.upper() for argument in wanted) or "no arguments"
        raise AirquillError(f"{action.name} takes {names}, not {len(texts)} values.")
    return [
        read_value(argument, f"{action.name} {argument.name}", text, layout)
        for argument, text in zip(wanted, texts, strict=False)
    ]
