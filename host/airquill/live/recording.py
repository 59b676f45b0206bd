"""A recording of a unit at work: one JSON object a line, the first of them a header. docs/watch.md lists the fields.

Each line is handed to the system as it is made, and to the disk once a second, so that what was recorded can be read
whatever ended it; a last line that was cut off is left out.
"""

from __future__ import annotations

import json
import math
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, TypeGuard

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.live.picks import Pick, PickFinder
from airquill.report.trace import Trace
from airquill.tuning.baseline import SETTING, Baseline

FORMAT = 1
_SYNC_S = 1.0
_WORD = 40  # longest version, number or name
_LINE_BYTES = 4096
_MOST_LINES = 5_000_000  # more than a week of work at ten lines a second, seven hours a day
_LONGEST_S = 40 * 86400.0
_LARGEST = 1e9
_LARGEST_KPA = 200.0
_TOPICS = ("pedal", "cycle", "grip", "preset", "fault")
_NEEDED: dict[object, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "cycle": (("state",), ()),
    "grip": (("what",), ()),
    "preset": ((), ("number", "strength_pct")),
}
"""Of an event: the fields that must be texts, and those that must be numbers."""
_NUMBERS = {"vacuum.kpa", "pump.duty_pct", "preset.strength_pct", "lost"}
"""May be null, where the unit has no part for it."""


class Preset(BaseModel):
    """What a preset was set to and had learned; `open_kpa` and `sealed_kpa` are 0 where it had not."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    number: int = Field(ge=1, le=99)
    strength_pct: float = Field(ge=0, le=100)
    open_kpa: float = Field(ge=0, le=200)
    sealed_kpa: float = Field(ge=0, le=200)


class Header(BaseModel):
    """The first line. `altitude_m` is None where it was not told; `baseline` is the unit's own line, or empty."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    recording: int = FORMAT
    started: str = Field(max_length=_WORD)
    chip: str = Field(max_length=_WORD)
    serial: str = Field(max_length=_WORD)
    board: str = Field(max_length=_WORD)
    firmware: str = Field(max_length=_WORD)
    build: str = Field(max_length=_WORD)
    airquill: str = Field(max_length=_WORD)
    settings_hash: str = Field(max_length=_WORD)
    baseline: str = Field(max_length=240)
    altitude_m: float | None = Field(ge=-500, le=6000)
    sensor: bool
    control: Literal["steady", "two_level"]
    preset: int = Field(ge=1, le=99)
    strength_pct: float = Field(ge=0, le=100)
    presets: list[Preset] = Field(max_length=99)

    def accepted(self) -> Baseline | None:
        """The figures the unit was accepted with, where it keeps some."""
        return Baseline.of_text(self.baseline)

    def finder(self) -> PickFinder:
        """A finder of picks that starts as the recording does."""
        return PickFinder(self.preset, self.strength_pct)


def header_of(unit: Client, settings_hash: str, airquill: str, altitude_m: float | None) -> Header:
    """The header for what is recorded from now on."""
    values = unit.all_settings()
    said = unit.greeting
    numbers = [number for number in range(1, 100) if f"preset{number}.strength_pct" in values]
    return Header(
        started=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        chip=said.chip[:_WORD],
        serial=str(values.get("unit.serial", ""))[:_WORD],
        board=said.board[:_WORD],
        firmware=said.firmware[:_WORD],
        build=said.build[:_WORD],
        airquill=airquill,
        settings_hash=settings_hash,
        baseline=str(values.get(SETTING, "")),
        altitude_m=altitude_m,
        sensor="sensor" in said.capabilities,
        control="two_level" if values.get("control.mode") == "two_level" else "steady",
        preset=int(str(values.get("preset.active", 1))),
        strength_pct=float(str(unit.get("preset.strength_pct")["preset.strength_pct"])),
        presets=[
            Preset(number=number, **{name: float(str(values.get(f"preset{number}.{name}", 0))) for name in _LEARNED})
            for number in numbers
        ],
    )


_LEARNED = ("strength_pct", "open_kpa", "sealed_kpa")


def written(line: dict[str, Any]) -> str:
    """A line as it stands in the file, without its end."""
    return json.dumps(line, separators=(",", ":"), default=float, allow_nan=False)


class Writer:
    """Writes a recording; use as a context manager. AirquillError where the file is there already, or cannot be."""

    def __init__(self, path: Path, header: Header) -> None:
        self.path = path
        self.lines = 0
        self._synced_at = time.monotonic()
        try:
            self._file = path.open("x", encoding="utf-8", newline="\n")
        except FileExistsError:
            raise AirquillError(f"{path} is there already. Name another file, or move that one away.") from None
        except OSError as error:
            raise AirquillError(f"{path} cannot be written: {error.strerror}. Name another place.") from error
        self.put(header.model_dump())

    def put(self, line: dict[str, Any]) -> None:
        """Write one line."""
        try:
            self._file.write(written(line) + "\n")
            self._file.flush()
            if time.monotonic() - self._synced_at > _SYNC_S:
                self._sync()
        except OSError as error:
            raise AirquillError(
                f"{self.path} takes no more: {error.strerror}. What was recorded until then is in it."
            ) from error
        self.lines += 1

    def _sync(self) -> None:
        os.fsync(self._file.fileno())
        self._synced_at = time.monotonic()

    def __enter__(self) -> Writer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._file.flush()
            self._sync()
        except OSError:
            pass  # said already by what could not be put
        finally:
            self._file.close()


@dataclass
class Recording:
    """A recording that was read: its header, all vacuum and events as one trace, the picks in it.

    `remarks` are sentences on what is missing in it.
    """

    header: Header
    trace: Trace = field(default_factory=Trace)
    picks: list[Pick] = field(default_factory=list)
    lost: int = 0
    remarks: list[str] = field(default_factory=list)
    seconds: float = 0.0
    """From its beginning to its last line."""


def read_recording(path: Path, on_bytes: Callable[[int], None] = lambda _count: None) -> Recording:
    """Read a recording; `on_bytes` is told how many were read. AirquillError says what is wrong with a file that is
    none, and on which line."""
    lines = _lines(path, on_bytes)
    found = Recording(_header(path, next(lines, None)))
    finder = found.header.finder()
    last_s = 0.0
    for number, line, is_last in lines:
        try:
            checked = _checked(line, last_s)
        except ValueError as error:
            if is_last:
                found.remarks.append(f"The last line, {number}, is cut off or damaged and was left out.")
                break
            raise AirquillError(f"{path} is damaged: line {number} {error}.") from None
        if "pick" in checked or "notice" in checked:
            continue  # `watch --json` says them on the way; they are found anew here
        last_s = checked["at_s"]
        _note(found, checked)
        pick = finder.take(checked)
        if pick is not None:
            found.picks.append(pick)
    pick = finder.finish()
    if pick is not None:
        found.picks.append(pick)
    found.seconds = last_s
    if not found.trace.at_s and found.header.sensor:
        found.remarks.append("It holds no vacuum.")
    if found.lost:
        found.remarks.append(f"{found.lost} lines of the unit were lost on the way to it.")
    return found


def _lines(path: Path, on_bytes: Callable[[int], None]) -> Iterator[tuple[int, str, bool]]:
    """Number, text, and whether it is the last one; blank ones are passed over."""
    try:
        with path.open("rb") as file:
            waiting: tuple[int, bytes] | None = None
            for number in range(1, _MOST_LINES + 1):
                raw = file.readline(_LINE_BYTES + 1)
                on_bytes(len(raw))
                if waiting is not None:
                    yield waiting[0], waiting[1].decode("utf-8", "replace"), not raw
                    waiting = None
                if not raw:
                    return
                if len(raw) > _LINE_BYTES:
                    raise AirquillError(
                        f"{path} is no recording: line {number} is longer than {_LINE_BYTES} bytes. "
                        "Name a file that `airquill watch --record` wrote."
                    )
                if raw.strip():
                    waiting = (number, raw)
            raise AirquillError(f"{path} has more than {_MOST_LINES} lines. Cut it into several; keep its first line.")
    except FileNotFoundError:
        raise AirquillError(f"There is no file {path}.") from None
    except OSError as error:
        raise AirquillError(f"{path} cannot be read: {error.strerror}.") from error


def _header(path: Path, first: tuple[int, str, bool] | None) -> Header:
    what_to_do = "Name a file that `airquill watch --record` wrote."
    if first is None:
        raise AirquillError(f"{path} is empty. {what_to_do}")
    try:
        data = _object(first[1])
        version = data.get("recording")
        if isinstance(version, int) and not isinstance(version, bool) and version != FORMAT:
            raise AirquillError(
                f"{path} is a recording of version {version}, this Airquill reads version {FORMAT}. "
                "Read it with the Airquill that wrote it, or a newer one."
            )
        if "recording" not in data:
            raise ValueError("it does not begin with a header")
        return Header.model_validate(data)
    except ValidationError as error:
        wrong = error.errors()[0]
        where = ".".join(str(part) for part in wrong["loc"]) or "the header"
        raise AirquillError(f"{path} is no sound recording: {where} in its first line: {wrong['msg']}.") from error
    except ValueError as error:
        raise AirquillError(f"{path} is no recording: {error}. {what_to_do}") from None


def _object(text: str) -> dict[str, Any]:
    """A line's JSON object. ValueError for anything else."""

    def refuse(word: str) -> Any:
        raise ValueError(f"has {word}, which is no number")

    try:
        data = json.loads(text, parse_constant=refuse)
    except (json.JSONDecodeError, RecursionError):
        raise ValueError("is no JSON") from None
    if not isinstance(data, dict):
        raise ValueError("is no JSON object")
    return data


def _checked(text: str, after_s: float) -> dict[str, Any]:
    """A line whose values are what they must be. ValueError says what is not."""
    line = _object(text)
    if "pick" in line or "notice" in line:
        return line
    at_s = line.get("at_s", -1)
    if not _is_number(at_s) or not after_s <= at_s <= _LONGEST_S:
        raise ValueError("has a time that cannot be")
    for name, value in line.items():
        if isinstance(value, list | dict) or (isinstance(value, int | float) and not abs(value) <= _LARGEST):
            raise ValueError(f"has a value for {name[:40]!r} that cannot be")
    event = line.get("event")
    if event is not None and event not in _TOPICS:
        raise ValueError(f"has an event that is not known, {str(event)[:40]!r}")
    texts, numbers = _NEEDED.get(event, ((), ()))
    if not all(isinstance(line.get(name), str) for name in texts):
        raise ValueError(f"has no text for {' or '.join(texts)}")
    for name in (*numbers, *(_NUMBERS & line.keys())):
        if not _is_number(line.get(name)) and (name in numbers or line[name] is not None):
            raise ValueError(f"has no number for {name}")
    kpa = line.get("vacuum.kpa")
    if kpa is not None and not abs(kpa) <= _LARGEST_KPA:
        raise ValueError(f"has a vacuum of {kpa:g} kPa, which no unit measures")
    return line


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _note(found: Recording, line: dict[str, Any]) -> None:
    """A line into the trace."""
    at_s, event, trace = line["at_s"], line.get("event"), found.trace
    found.lost += int(line.get("lost") or 0)
    if event is None:
        if line.get("vacuum.kpa") is not None:
            trace.at_s.append(at_s)
            trace.kpa.append(float(line["vacuum.kpa"]))
    elif event == "cycle":
        trace.states.append((at_s, line["state"]))
    elif event == "grip" and line["what"] in ("missed", "lost"):
        trace.marks.append((at_s, f"part {line['what']}"))
