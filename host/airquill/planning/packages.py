"""What is known about packages: data of `packages.toml` and of the files that users add."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from importlib.resources import files
from math import ceil
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from airquill.errors import AirquillError
from airquill.planning.board import Site

Above = Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)]
TAPE_STEP_MM = 4.0  # EIA-481 pitches above 4 mm are multiples of it; from memory
TAPE_ROOM_MM = 1.5  # pocket and wall beside the part; from memory
DRAWN_TOLERANCE = 0.2  # of a side, between the knowledge and what a board's footprint draws; chosen
DRAWN_SLACK_MM = 0.3


class Source(BaseModel):
    """Where values come from: S published, C computed, P common practice, M from memory."""

    model_config = ConfigDict(extra="forbid")
    flag: Literal["S", "C", "P", "M"]
    text: str


class Entry(BaseModel):
    """A package or a family of them as a file has it; see the head of packages.toml."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)
    name: Annotated[str, Field(min_length=1, max_length=40)]
    footprints: list[str] = []
    size_mm: tuple[Above, Above, Above] | None = None
    height_mm: Above | None = None
    tenths: bool = False
    plus_mm: Annotated[float, Field(ge=0, le=10)] = 0.0
    mass_mg: Above | None = None
    density_g_cm3: Annotated[float, Field(ge=0.5, le=20)] | None = None
    pitch_mm: Annotated[float, Field(ge=1, le=200)] | None = None
    drawn_mm: tuple[Above, Above] | None = None
    lead_mm: Annotated[float, Field(ge=0, le=50)] = 0.0
    top: Literal["flat", "round", "open"] = "flat"
    rough: bool = False
    pick: Literal["needle", "cup", "tweezers"] = "needle"
    polarised: bool = False
    sources: Annotated[dict[str, str], Field(alias="from")]

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.mass_mg is None and self.density_g_cm3 is None:
            raise ValueError("it has neither mass_mg nor density_g_cm3")
        groups: set[str] = set()
        for pattern in self.footprints:
            try:
                groups |= set(re.compile(pattern).groupindex)
            except re.error as error:
                raise ValueError(f"{pattern} is no regular expression: {error}") from None
        if self.size_mm is None:
            plan = groups >= {"length", "width"} or "diameter" in groups
            if not plan or not (self.height_mm or "height" in groups):
                raise ValueError("it has no size_mm, and its footprints do not name length, width and height")
        missing = {"size_mm", "mass_mg"} - set(self.sources)
        if missing:
            raise ValueError(f"`from` does not name a source for {' and '.join(sorted(missing))}")
        return self


class PackageFile(BaseModel):
    """A file of packages."""

    model_config = ConfigDict(extra="forbid")
    source: dict[str, Source] = {}
    package: list[Entry] = []
    alias: dict[str, str] = {}


@dataclass(frozen=True)
class Package:
    """A body. Length is the longer side of the top; `flags` has the flag of the source of each value, by its name."""

    name: str
    length_mm: float
    width_mm: float
    height_mm: float
    mass_mg: float
    pitch_mm: float
    top: str
    rough: bool
    pick: str
    polarised: bool
    flags: dict[str, str]
    drawn_mm: tuple[float, float]

    @property
    def size_text(self) -> str:
        return f"{self.length_mm:g} x {self.width_mm:g} x {self.height_mm:g} mm"


@dataclass(frozen=True)
class Knowledge:
    """Packages of one or more files; those of the first file win."""

    files: tuple[PackageFile, ...]

    @cached_property
    def _patterns(self) -> list[tuple[re.Pattern[str], Entry, dict[str, Source]]]:
        sources = self.sources
        return [
            (re.compile(pattern), entry, sources)
            for file in self.files
            for entry in file.package
            for pattern in entry.footprints
        ]

    @cached_property
    def sources(self) -> dict[str, Source]:
        """Sources of all files by name."""
        return {name: source for file in reversed(self.files) for name, source in file.source.items()}

    @cached_property
    def _found(self) -> dict[str, Package | None]:
        return {}

    def find(self, footprint: str) -> Package | None:
        """The package of a footprint, `library:name` or the bare name; None when nothing is known about it."""
        if footprint not in self._found:
            self._found[footprint] = self._look_up(footprint)
        return self._found[footprint]

    def _look_up(self, footprint: str) -> Package | None:
        bare = footprint.rpartition(":")[2].strip()
        for file in self.files:
            named = file.alias.get(footprint) or file.alias.get(bare)
            if named:
                return self.named(named)
        for pattern, entry, sources in self._patterns:
            match = pattern.fullmatch(bare)
            if match:
                return _package(entry, match.groupdict(), sources)
        return self.named(bare)

    def named(self, name: str) -> Package | None:
        """The package of a name, for aliases and lists; families have their size from footprints only."""
        wanted = name.casefold()
        for file in self.files:
            for entry in file.package:
                if entry.name.casefold() == wanted and entry.size_mm is not None:
                    return _package(entry, {}, self.sources)
        return None

    def names(self) -> list[str]:
        """Names of the packages that an alias may point to."""
        return [entry.name for file in self.files for entry in file.package if entry.size_mm is not None]


def _package(entry: Entry, named: dict[str, str | None], sources: dict[str, Source]) -> Package:
    length, width, height = entry.size_mm or _size_of_name(entry, named)
    length, width = max(length, width), min(length, width)
    mass = entry.mass_mg or length * width * height * (entry.density_g_cm3 or 0.0)
    pitch = entry.pitch_mm or TAPE_STEP_MM * ceil((width + entry.lead_mm + TAPE_ROOM_MM) / TAPE_STEP_MM)
    flags: dict[str, str] = {value: sources[source].flag for value, source in entry.sources.items()}
    flags.setdefault("pitch_mm", "C")
    return Package(
        entry.name if entry.size_mm else f"{entry.name} {length:g}x{width:g}",
        length,
        width,
        height,
        round(mass, 3),
        pitch,
        entry.top,
        entry.rough,
        entry.pick,
        entry.polarised,
        flags,
        entry.drawn_mm or (length, width),
    )


def _size_of_name(entry: Entry, named: dict[str, str | None]) -> tuple[float, float, float]:
    scale = 0.1 if entry.tenths else 1.0

    def size(key: str) -> float:
        return round(float(named[key] or 0) * scale, 3)

    height = size("height") if named.get("height") else entry.height_mm or 0.0
    if named.get("diameter"):
        side = size("diameter") + entry.plus_mm
        return side, side, height
    return size("length") + entry.plus_mm, size("width") + entry.plus_mm, height


def drawn_differently(package: Package, site: Site) -> bool:
    """Whether a board draws a body of another size than the package has: then the match is doubtful."""
    drawn = site.body_mm
    if drawn is None:
        return False
    return any(
        abs(mine - theirs) > max(DRAWN_SLACK_MM, DRAWN_TOLERANCE * mine)
        for mine, theirs in zip(package.drawn_mm, drawn, strict=True)
    )


def load_knowledge(own: Sequence[Path] = ()) -> Knowledge:
    """The packages that Airquill knows, after those of a user's own files. Raises AirquillError for a wrong file."""
    built_in = _read(files("airquill.planning").joinpath("packages.toml").read_text(encoding="utf-8"), "packages.toml")
    mine = [_read(_text(path), str(path)) for path in own]
    knowledge = Knowledge((*mine, built_in))
    for path, file in zip(own, mine, strict=True):
        _check(file, knowledge, str(path))
    return knowledge


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise AirquillError(f"{path} cannot be read: {error.strerror}.") from error
    except UnicodeDecodeError:
        raise AirquillError(f"{path} is no text in UTF-8. Name a TOML file of packages.") from None


def _read(text: str, name: str) -> PackageFile:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise AirquillError(f"{name} is no TOML: {error}.") from error
    try:
        return PackageFile.model_validate(data)
    except ValidationError as error:
        problems = [_problem(detail, data) for detail in error.errors()[:5]]
        raise AirquillError("\n".join(f"{name}: {problem}" for problem in problems)) from None


def _problem(detail: Any, data: dict[str, Any]) -> str:
    where = list(detail["loc"])
    who = ""
    if where[:1] == ["package"] and len(where) > 1:
        entry = data["package"][where[1]]
        who = f"package {entry.get('name', where[1] + 1)}: " if isinstance(entry, dict) else ""
        where = where[2:]
    field = ".".join(str(part) for part in where)
    if detail["type"] == "extra_forbidden":
        return f"{who}nothing is called {field}. The head of packages.toml lists what there is."
    said = detail["msg"].removeprefix("Value error, ")
    return f"{who}{field + ': ' if field else ''}{said[:1].lower() + said[1:] if not field else said}."


def _check(file: PackageFile, knowledge: Knowledge, name: str) -> None:
    for entry in file.package:
        for value, source in entry.sources.items():
            if source not in knowledge.sources:
                raise AirquillError(
                    f"{name}: package {entry.name} has {value} from {source}, which is no "
                    f"source. Add [source.{source}] with flag and text."
                )
    for footprint, package in file.alias.items():
        if knowledge.named(package) is None:
            raise AirquillError(
                f"{name}: {footprint} is said to be {package}, which is none of {', '.join(knowledge.names())}."
            )
