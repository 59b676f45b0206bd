"""A unit's backup: one zip file with its settings, calibration, counters, log and versions."""

from __future__ import annotations

import io
import json
import tempfile
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.link.convert import Value, from_wire, plain, to_wire
from airquill.link.entries import Setting
from airquill.profile.exchange import Difference
from airquill.profile.rewrite import export
from airquill.report.files import write_bytes

FORMAT = 1
CONTENT = "backup.json"
_MOST_BYTES = 1 << 20


@dataclass(frozen=True)
class Backup:
    """What a backup file says. `settings` and `readings` are as on the line, by path."""

    made: str
    unit: dict[str, Any]
    settings: dict[str, str]
    kept_by_unit: list[str]
    readings: dict[str, str]
    log: list[dict[str, int]]

    @property
    def chip(self) -> str:
        return str(self.unit.get("chip", ""))


def write_backup(path: Path, unit: Client) -> Backup:
    """Read everything from a unit and write it in one step; its profile goes along, to be read and used by itself."""
    entries = {entry.path: entry for entry in unit.settings()}
    backup = Backup(
        made=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        unit=asdict(unit.greeting),
        settings={name: to_wire(entries[name], value) for name, value in unit.all_settings().items()},
        kept_by_unit=[entry.path for entry in unit.settings() if entry.keep == "unit"],
        readings={name: plain(value) for name, value in unit.all_readings().items()},
        log=unit.log(),
    )
    write_bytes(path, _zipped(backup, _profile_text(unit)))
    return backup


def _profile_text(unit: Client) -> str:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "profile.toml"
        export(path, unit.settings(), unit.all_settings(), None, None)
        return path.read_text(encoding="utf-8")


def _zipped(backup: Backup, profile_text: str) -> bytes:

    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(CONTENT, json.dumps({"format": FORMAT} | asdict(backup), indent=2) + "\n")
        archive.writestr("profile.toml", profile_text)
    return out.getvalue()


def read_backup(path: Path) -> Backup:
    """Raises AirquillError for what is no backup, or one of a newer Airquill."""
    wrong = f"{path} is no backup of a unit, or it is damaged. Name a file that `airquill backup` wrote."
    try:
        with zipfile.ZipFile(path) as archive:
            if archive.getinfo(CONTENT).file_size > _MOST_BYTES:
                raise AirquillError(wrong)
            data = json.loads(archive.read(CONTENT))
        version = int(data.pop("format"))
        if version > FORMAT:
            raise AirquillError(f"{path} was written by a newer Airquill. Update Airquill on this PC.")
        backup = Backup(**data)
        if not all(isinstance(text, str) for text in (*backup.settings, *backup.settings.values())):
            raise AirquillError(wrong)
        return backup
    except FileNotFoundError as error:
        raise AirquillError(f"There is no file {path}.") from error
    except (OSError, ValueError, KeyError, TypeError, zipfile.BadZipFile) as error:
        raise AirquillError(wrong) from error


def changes_of(
    backup: Backup, entries: Sequence[Setting], running: Mapping[str, Value], with_unit: bool
) -> tuple[list[Difference], list[str]]:
    """What a restore would change, and the paths that this unit does not have or cannot hold.

    What stays with a unit (serial, calibration) comes along only `with_unit`.
    """
    known = {entry.path: entry for entry in entries}
    changes: list[Difference] = []
    lost: list[str] = []
    for path, text in backup.settings.items():
        entry = known.get(path)
        if not with_unit and (path in backup.kept_by_unit or (entry is not None and entry.keep == "unit")):
            continue
        value = _value_of(entry, text) if entry else None
        if entry is None or value is None:
            lost.append(path)
        elif value != running[path]:
            changes.append(Difference(entry, running[path], value))
    return changes, lost


def _value_of(entry: Setting, text: str) -> Value:
    """The backup's value, or None when this unit's setting cannot hold it."""
    try:
        value = from_wire(entry.type, text)
    except AirquillError:
        return None
    if isinstance(value, bool):
        return value
    if entry.type == "word":
        return value if value in entry.words else None
    if isinstance(value, bytes | str):
        size = len(value.encode() if isinstance(value, str) else value)
        return value if size <= entry.highest else None
    return value if value is not None and entry.lowest <= value <= entry.highest else None
