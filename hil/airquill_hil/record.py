"""The record of one run: what was checked against what, where, by whom, with all values and raw traces, as JSON."""

from __future__ import annotations

import hashlib
import platform
import uuid
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from airquill.errors import AirquillError
from airquill.link.client import Greeting
from airquill.link.convert import Value, to_wire
from airquill.link.entries import Setting
from airquill.report.files import write_whole
from airquill_hil.limits import Outcome

FORMAT = 1
Verdict = Literal["accepted", "partial", "rejected", "error"]


class Part(BaseModel):
    """A part of a record."""

    model_config = ConfigDict(extra="forbid")


class FigureRecord(Part):
    """One value against its limits. `shown` is the value as people read it."""

    name: str
    value: float | bool | None
    shown: str
    unit: str
    low: float | None
    high: float | None
    must: bool | None
    guard: float
    flag: str
    outcome: Outcome
    reason: str
    note: str


class CheckRecord(Part):
    """What came of one check. `sentence` says why it was skipped or what went wrong; `beside` is a skipped check that
    this unit has nothing for, so that nothing is left undecided."""

    name: str
    title: str
    outcome: Outcome
    sentence: str = ""
    beside: bool = False
    figures: list[FigureRecord] = []
    traces: dict[str, dict[str, Any]] = {}


class UnitRecord(Part):
    """What the unit said about itself."""

    chip: str
    board: str
    firmware: str
    build: str
    registry: int
    registry_hash: str
    boots: int
    cause: str
    capabilities: list[str]


class Record(Part):
    """One run of the checks on one unit. Times are UTC, `ambient_kpa` is computed from the altitude (ISO 2533).

    `id` is this run's alone, on whatever station: by it record books are merged. `rig` says which measuring board was
    used and when it was calibrated; it is empty without one. `baseline` is the line that the unit keeps of this run, as
    accepted units do.
    """

    format: int = FORMAT
    id: str
    verdict: Verdict
    sentence: str
    serial: str
    unit: UnitRecord
    board_revision: str = ""
    pump_lot: str = ""
    settings_hash: str
    baseline: str = ""
    limits_version: int
    limits_hash: str
    needle_gauge: int
    station: str
    operator: str
    rig: dict[str, str] = {}
    altitude_m: float
    ambient_kpa: float
    started: str
    ended: str
    host: dict[str, str]
    checks: list[CheckRecord]


def unit_record(said: Greeting) -> UnitRecord:
    """The unit's part of a record."""
    return UnitRecord(
        chip=said.chip,
        board=said.board,
        firmware=said.firmware,
        build=said.build,
        registry=said.registry,
        registry_hash=said.registry_hash,
        boots=said.boots,
        cause=said.cause,
        capabilities=list(said.capabilities),
    )


def settings_hash(entries: Iterable[Setting], values: Mapping[str, Value]) -> str:
    """First 16 hex digits of SHA-256 over the settings that travel in a profile, as sorted `path=value` lines.

    Two units with the same hash run the same settings, whatever each has learned for itself.
    """
    lines = sorted(f"{one.path}={to_wire(one, values[one.path])}\n" for one in entries if one.keep == "profile")
    return hashlib.sha256("".join(lines).encode()).hexdigest()[:16]


def new_id() -> str:
    """An identity that no other record has (a random UUID, RFC 9562)."""
    return str(uuid.uuid4())


def now() -> str:
    """This moment in UTC, to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def host_versions() -> dict[str, str]:
    """Versions of what ran the checks."""
    try:
        airquill = version("airquill")
    except PackageNotFoundError:
        airquill = "from source"
    return {"airquill": airquill, "python": platform.python_version(), "system": platform.system()}


def write_record(record: Record, folder: Path) -> Path:
    """Write a record into a folder, under a name of its own, in one step; returns its path. AirquillError."""
    who = "".join(c if c.isalnum() or c in "-_" else "-" for c in record.serial or record.unit.chip)
    when = record.started.replace(":", "").replace("-", "")
    path = folder / f"{who}-{when}.json"
    n = 1
    while path.exists():  # two runs within a second, or two benches in one folder
        n += 1
        path = folder / f"{who}-{when}-{n}.json"
    write_whole(path, record.model_dump_json(indent=1) + "\n")
    return path


def read_record(path: Path) -> Record:
    """The record that a file holds. AirquillError says what is wrong with it."""
    try:
        return Record.model_validate_json(path.read_bytes())
    except OSError as error:
        raise AirquillError(f"{path} cannot be read: {error.strerror}.") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the file"
        raise AirquillError(f"{path} is no record of a run: {where}: {first['msg']}.") from error
