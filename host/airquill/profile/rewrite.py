"""Write a unit's settings into a profile file, new or existing, keeping what a person wrote around them."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import Table

from airquill.errors import AirquillError
from airquill.keys import decode
from airquill.link.catalogue import REGISTRY
from airquill.link.convert import Value, takes
from airquill.link.entries import Setting
from airquill.profile.document import ABOUT, Profile, load, travelling


def export(
    path: Path, entries: tuple[Setting, ...], values: Mapping[str, Value], layout: str | None, title: str | None
) -> int:
    """Write these values to `path` and return how many. A file that is there keeps its comments and order.

    A value that the file holds already keeps the wording it has there. Raises AirquillError when the file is there but
    is no sound profile; it is left alone then.
    """
    old = load(path) if path.exists() else None
    document = tomlkit.parse(path.read_text(encoding="utf-8")) if old else tomlkit.document()
    _describe_file(document, old, layout, title)
    # Text in the file's strokes is for its own layout; under another one it would type something else.
    keeps_strokes = old is not None and layout in (None, old.layout)
    settings = travelling(entries)
    for entry in settings:
        keeps = old is not None and (keeps_strokes or entry.type != "stroke")
        _put(document, entry, values[entry.path], old if keeps else None)
    write_atomically(path, tomlkit.dumps(document))
    return len(settings)


def _describe_file(document: Any, old: Profile | None, layout: str | None, title: str | None) -> None:
    if ABOUT not in document:
        document[ABOUT] = tomlkit.table()
    about = document[ABOUT]
    about["registry"] = REGISTRY
    about["layout"] = layout or (old.layout if old else "us")
    if title is not None:
        about["title"] = title


def _put(document: Any, entry: Setting, value: Value, old: Profile | None) -> None:
    group, _, key = entry.path.rpartition(".")
    if group not in document:
        document[group] = tomlkit.table()
    table: Table = document[group]
    if key not in table:
        table.add(tomlkit.comment(f"{entry.help} Takes {_range(entry)}."))
        table.add(key, _toml(value))
    elif old is None or old.values.get(entry.path) != value:
        table[key] = _toml(value)


def _range(entry: Setting) -> str:
    return "a stroke" if entry.type == "stroke" else "true or false" if entry.type == "flag" else takes(entry)


def _toml(value: Value) -> Any:
    if isinstance(value, bytes):
        return decode(value).text
    if isinstance(value, Decimal):
        return int(value) if value == value.to_integral_value() else float(value)
    return value


def write_atomically(path: Path, text: str) -> None:
    """Write a file so that a reader sees the old one or the new one whole. Raises AirquillError."""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        beside = Path(name)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            beside.chmod(path.stat().st_mode if path.exists() else 0o666 & ~_umask())
            beside.replace(path)
        except BaseException:
            beside.unlink(missing_ok=True)
            raise
    except OSError as error:
        raise AirquillError(f"{path} cannot be written: {error.strerror}.") from error


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
