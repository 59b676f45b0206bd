"""A letter as a file: JSON with a version and a check sum. Nothing in it is trusted, and none of its text is markup.

Reading looks at the size first, then at the JSON (no numbers that are none, no name twice, no endless nesting), then at
the check sum, and then takes nothing but what the model below names, within its bounds. Control characters go.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from airquill.errors import AirquillError
from airquill.pneumatics.needles import SIZES_MM
from airquill.report.files import write_whole
from airquill.report.plain import printable
from airquill.report.trace import Trace
from airquill.tuning.checkup import FORMAT as CHECKUP_FORMAT
from airquill.tuning.checkup import Checkup
from airquill.tuning.questions import BY_NAME, place_of

FORMAT = 1
MOST_BYTES = 2 << 20
_MOST_DEPTH = 12
_MOST_SAMPLES = 20_000
_LARGEST = 1e6
_DIGITS = 18
_VERSION = "letter"
_SUM = "sum"
_ADVICE = "Ask for the letter again, as a file that nobody opened and saved."

Word = Annotated[str, Field(max_length=40, pattern=r"^[\w.,:+ -]*$")]
Path_ = Annotated[str, Field(max_length=60, pattern=r"^[a-z0-9_.]+$")]
Value = Annotated[str, Field(max_length=300)]
Count = Annotated[int, Field(ge=0, le=2**32)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, frozen=True)


class UnitPart(_Part):
    """Who the unit is, by its own words. `wiring` is the name that its wiring file gives."""

    chip: Word
    serial: Word
    wiring: Word
    firmware: Word
    build: Word
    registry: Count
    registry_hash: Word
    boots: Count
    cause: Word
    capabilities: list[Word] = Field(max_length=40)
    addons: list[Word] = Field(max_length=40)


class StrokePart(_Part):
    """What a letter says of a stroke that could tell what its owner types: no key of it."""

    bytes: Count
    chords: Count
    keys: Count
    system: bool
    """Control, Alt or GUI are held in it."""


class LogPart(_Part):
    """An entry of the unit's log, as numbers."""

    number: Count
    at_s: Count
    what: Count
    detail: Count


class LetterCheckup(Checkup):
    """A checkup whose every value is within bounds."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    @field_validator("day", "chip", "stopped_by")
    @classmethod
    def _short(cls, text: str) -> str:
        if len(text) > 40:
            raise ValueError("is longer than 40 letters")
        return text

    @field_validator("needle_gauge")
    @classmethod
    def _gauge(cls, gauge: int) -> int:
        if gauge not in SIZES_MM:
            raise ValueError(f"there is no {gauge} gauge needle")
        return gauge

    @field_validator("altitude_m")
    @classmethod
    def _altitude(cls, altitude_m: float) -> float:
        if not -500 <= altitude_m <= 6000:
            raise ValueError("no unit works there")
        return altitude_m

    @field_validator("figures")
    @classmethod
    def _bounded(cls, figures: dict[str, float | None]) -> dict[str, float | None]:
        if len(figures) > 60 or any(len(name) > 40 for name in figures):
            raise ValueError("there are too many, or too long names")
        if any(value is not None and abs(value) > _LARGEST for value in figures.values()):
            raise ValueError("one is larger than any unit gives")
        return figures

    @field_validator("notes")
    @classmethod
    def _few(cls, notes: list[str]) -> list[str]:
        if len(notes) > 20 or any(len(note) > 300 for note in notes):
            raise ValueError("there are too many, or too long ones")
        return notes

    @field_validator("traces")
    @classmethod
    def _sound(cls, traces: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
        if len(traces) > 20 or any(len(name) > 60 for name in traces):
            raise ValueError("there are too many, or too long names")
        return {name: _trace(trace) for name, trace in traces.items()}


class Letter(_Part):
    """A letter. Settings and readings are as on the line, by path; `strokes` stands for settings that are not told."""

    letter: int = FORMAT
    made: Word
    unit: UnitPart
    settings: dict[Path_, Value] = Field(max_length=500)
    strokes: dict[Path_, StrokePart] = Field(max_length=100)
    left_out: list[Path_] = Field(max_length=200)
    """Settings that are text, of which nothing is told."""
    readings: dict[Path_, Value] = Field(max_length=200)
    log: list[LogPart] = Field(max_length=1000)
    checkup: LetterCheckup | None
    answers: dict[Path_, Word] = Field(max_length=40)
    """What a person said to questions by their name, where no sensor could (airquill.tuning.questions)."""
    host: dict[Word, Word] = Field(max_length=10)

    @field_validator("answers")
    @classmethod
    def _possible(cls, answers: dict[str, str]) -> dict[str, str]:
        for name, said in answers.items():
            if name not in BY_NAME:
                raise ValueError(f"no question is called {name}")
            place_of(BY_NAME[name], said)
        return answers


def _trace(data: dict[str, Any]) -> dict[str, Any]:
    """A trace whose lists are what they must be. ValueError."""
    if set(data) != {"at_s", "kpa", "states", "marks", "levels"} or not all(isinstance(v, list) for v in data.values()):
        raise ValueError("one has other parts than a trace")
    at_s, kpa = data["at_s"], data["kpa"]
    if len(at_s) != len(kpa) or len(at_s) > _MOST_SAMPLES or not all(map(_is_number, [*at_s, *kpa])):
        raise ValueError("one has no sound samples")
    if any(abs(value) > 200 for value in kpa) or any(abs(value) > 3600 for value in at_s) or sorted(at_s) != at_s:
        raise ValueError("one has samples that cannot be")
    for name in ("states", "marks", "levels"):
        if len(data[name]) > 1000:
            raise ValueError(f"one has too many {name}")
        for pair in data[name]:
            is_pair = isinstance(pair, list) and len(pair) == 2 and _is_number(pair[0]) and isinstance(pair[1], str)
            if not is_pair or abs(pair[0]) > 3600 or len(pair[1]) > 60:
                raise ValueError(f"one has {name} that cannot be")
    return data


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < _LARGEST


def letter_text(letter: Letter) -> str:
    """The text of the file: one part a line, so that a person can look at it."""
    data = letter.model_dump(mode="json")
    data[_SUM] = _sum_of(data)
    lines = [f" {json.dumps(name)}: {_dumped(name, value)}" for name, value in data.items()]
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _dumped(name: str, value: Any) -> str:
    many = name in ("unit", "settings", "strokes", "readings")
    return json.dumps(value, allow_nan=False, indent=1 if many else None).replace("\n", "\n ")


def write_letter(path: Path, letter: Letter) -> None:
    """Write a letter in one step. AirquillError where there is a file already, or it cannot be written."""
    refuse_taken(path)
    write_whole(path, letter_text(letter))


def refuse_taken(path: Path) -> None:
    """AirquillError where there is something at the path."""
    if path.exists():
        raise AirquillError(f"{path} is there already. Name another file, or move that one away.")


def _sum_of(data: dict[str, Any]) -> str:
    """SHA-256 over the content, however it is laid out. It tells damage, not who wrote it: anybody can compute it."""
    content = {name: value for name, value in data.items() if name != _SUM}
    return hashlib.sha256(json.dumps(content, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def read_letter(path: Path) -> Letter:
    """The letter in a file. AirquillError says what is wrong with one that is none."""
    data = _content(path)
    version = data.get(_VERSION)
    if not isinstance(version, int) or isinstance(version, bool):
        raise AirquillError(f"{path} is no letter. Name a file that `airquill letter` wrote.")
    if version != FORMAT:
        raise AirquillError(
            f"{path} is a letter of version {version}, this Airquill reads version {FORMAT}. "
            f"Use the Airquill that wrote it{', or a newer one' if version > FORMAT else ''}."
        )
    if data.get(_SUM) != _sum_of(data):
        raise AirquillError(f"{path} was damaged or changed after it was made: its check sum is wrong. {_ADVICE}")
    del data[_SUM]
    try:
        letter = Letter.model_validate(_cleaned(data))
    except ValidationError as error:
        first = error.errors()[0]
        where = printable(".".join(str(part) for part in first["loc"]), 80) or "the file"
        raise AirquillError(f"{path} is no sound letter: {where}: {printable(first['msg'], 120)}. {_ADVICE}") from error
    if letter.checkup is not None and letter.checkup.format != CHECKUP_FORMAT:
        raise AirquillError(f"{path} holds a test of another version. Use the Airquill that wrote it, or a newer one.")
    return letter


def _content(path: Path) -> dict[str, Any]:
    """The JSON object in a file of at most MOST_BYTES."""
    try:
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise AirquillError(f"There is no file {path}.") from None
    except OSError as error:
        raise AirquillError(f"{path} cannot be read: {error.strerror}.") from error
    if len(raw) > MOST_BYTES:
        raise AirquillError(f"{path} is larger than a letter can be, {MOST_BYTES >> 20} MiB. Ask for the letter alone.")
    try:
        data = json.loads(
            raw.decode("utf-8"), parse_constant=_refuse, parse_int=_whole, object_pairs_hook=_without_doubles
        )
        depth = _depth(data)
    except (ValueError, RecursionError) as error:
        why = str(error) if isinstance(error, _Odd) else "it is no sound JSON"
        raise AirquillError(f"{path} is no letter, or a damaged one: {why}. {_ADVICE}") from None
    if not isinstance(data, dict) or depth > _MOST_DEPTH:
        raise AirquillError(f"{path} is no letter. Name a file that `airquill letter` wrote.")
    return data


class _Odd(ValueError):
    """JSON that says what no letter says."""


def _refuse(word: str) -> Any:
    raise _Odd(f"it has {word} where a number belongs")


def _whole(text: str) -> int:
    if len(text) > _DIGITS:
        raise _Odd("it has a number with too many digits")
    return int(text)


def _without_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise _Odd("it says something twice")
    return found


def _depth(data: Any) -> int:
    parts = data.values() if isinstance(data, dict) else data if isinstance(data, list) else ()
    return 1 + max((_depth(part) for part in parts if isinstance(part, dict | list)), default=0)


def _cleaned(data: Any) -> Any:
    """The same with every text in one line and without control characters."""
    if isinstance(data, str):
        return printable(data, 400)
    if isinstance(data, list):
        return [_cleaned(part) for part in data]
    if isinstance(data, dict):
        return {printable(name, 80): _cleaned(part) for name, part in data.items()}
    return data


def without_keys(trace: Trace) -> Trace:
    """A trace without the marks of strokes, which would tell what was typed."""
    marks = [(at, text) for at, text in trace.marks if not text.startswith("key ")]
    return Trace(trace.at_s, trace.kpa, trace.states, marks, trace.levels)
