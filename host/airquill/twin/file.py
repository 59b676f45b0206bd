"""A measured unit as a file: what was measured, what was fitted. It can be run as a virtual unit, and planned with.

A twin is data of unknown origin: every number has a physical range, texts are short and printable, nothing in it runs.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Final, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from airquill.errors import AirquillError
from airquill.pneumatics.air import Air
from airquill.pneumatics.measured import FIGURES, air_of, needle_of
from airquill.pneumatics.needles import SIZES_MM, Needle
from airquill.twin.measurement import Kind, Level, Measurement, Recording, Source
from airquill.twin.parameters import AIR, DELAYS, Parameter, needle_parameter

FORMAT: Final = 1
MOST_BYTES = 4_000_000
MOST_SAMPLES = 5000
_ROUNDING = 1e-6  # relative, of a bound that was written with fewer digits

Made = dict[str, dict[str, float]]


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError("it holds characters that cannot be printed")
    return text


Text = Annotated[str, Field(max_length=80), AfterValidator(_printable)]
Kpa = Annotated[float, Field(ge=-30.0, le=110.0)]
Pct = Annotated[float, Field(ge=0.0, le=100.0)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Number(_Part):
    """A parameter with its 95 % interval; not `told`, it is what is usual, and `why` says why."""

    value: float
    low: float
    high: float
    told: bool
    why: Text = ""

    def check(self, one: Parameter) -> None:
        """ValueError when it cannot be this parameter."""
        for word, number in (("value", self.value), ("low", self.low), ("high", self.high)):
            room = _ROUNDING * max(abs(one.low), abs(one.high))
            if not one.low - room <= number <= one.high + room:
                raise ValueError(f"{one.name}: its {word} must be {one.low:g} to {one.high:g}, not {number:g}")
        if not self.low <= self.value <= self.high:
            raise ValueError(f"{one.name}: its value {self.value:g} is not between its low and its high")


class Said(_Part):
    """Who the unit said it is."""

    name: Text = ""
    serial: Text = ""
    chip: Text = ""
    firmware: Text = ""


class LevelRow(_Part):
    """A steady level, see measurement.Level."""

    needle: Annotated[int, Field(ge=min(SIZES_MM), le=max(SIZES_MM))]
    sealed: bool
    duty_pct: Pct
    kpa: Kpa
    error_kpa: Annotated[float, Field(ge=0.0, le=30.0)]
    heat_k: Annotated[float, Field(ge=0.0, le=100.0)] = 0.0


class RecordingRow(_Part):
    """A recording, see measurement.Recording."""

    kind: Kind
    at_s: Annotated[list[Annotated[float, Field(ge=-10.0, le=100.0)]], Field(min_length=2, max_length=MOST_SAMPLES)]
    kpa: Annotated[list[Kpa], Field(min_length=2, max_length=MOST_SAMPLES)]
    heat_k: Annotated[float, Field(ge=0.0, le=100.0)] = 0.0

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if len(self.at_s) != len(self.kpa):
            raise ValueError("at_s and kpa must have as many numbers")
        if any(later <= earlier for earlier, later in zip(self.at_s, self.at_s[1:], strict=False)):
            raise ValueError("the times of at_s must grow")
        return self


class MissRow(_Part):
    """How far the model is from a part of the measurement, see tuning/fit.py."""

    what: Text
    rms_kpa: Annotated[float, Field(ge=0.0, le=200.0)]
    most_kpa: Annotated[float, Field(ge=0.0, le=200.0)]


class Twin(_Part):
    """A measured unit. Parameters by name (parameters.py), needles by gauge."""

    format: Literal[1] = FORMAT
    kind: Literal["airquill twin"] = "airquill twin"
    made: Text
    unit: Said
    source: Source
    noise_kpa: Annotated[float, Field(ge=0.0, le=5.0)]
    ambient_kpa: Annotated[float, Field(ge=40.0, le=110.0)]
    supply_v: Annotated[float, Field(ge=5.0, le=30.0)]
    rest_kpa: Kpa
    rest_error_kpa: Annotated[float, Field(gt=0.0, le=20.0)]
    parameters: dict[str, Number]
    needles: dict[str, Number]
    runs_pct: Pct | None = None
    stalls_pct: Pct | None = None
    starts_pct: Pct | None = None
    stays_pct: Pct | None = None
    kick_ms: Annotated[int, Field(ge=0, le=1000)] | None = None
    levels: Annotated[list[LevelRow], Field(max_length=500)]
    recordings: Annotated[list[RecordingRow], Field(max_length=50)]
    misses: Annotated[list[MissRow], Field(max_length=100)]
    chi2_share: Annotated[float, Field(ge=0.0)]

    @model_validator(mode="after")
    def _sound(self) -> Self:
        known = {one.name: one for one in AIR + DELAYS}
        for name in self.parameters:
            if name not in known:
                raise ValueError(f"parameters: there is none called {_shown(name)}")
        for name, one in known.items():
            if name not in self.parameters:
                raise ValueError(f"parameters: {name} is missing")
            self.parameters[name].check(one)
        gauges = {str(gauge) for gauge in SIZES_MM}
        for gauge, number in self.needles.items():
            if gauge not in gauges:
                raise ValueError(f"needles: {_shown(gauge)} is no gauge, which are 14 to 34")
            number.check(needle_parameter(int(gauge)))
        for low, high, words in (
            (self.stalls_pct, self.runs_pct, "the pump cannot stall above the duty at which it runs"),
            (self.stays_pct, self.starts_pct, "the pump cannot stay standing above the duty at which it starts"),
        ):
            if low is not None and high is not None and low > high:
                raise ValueError(words)
        return self

    # ---- what it is used as

    def figures(self) -> dict[str, float]:
        """Figures for pneumatics/measured.py."""
        found = {name: number.value for name, number in self.parameters.items() if name in FIGURES}
        found["noise_kpa"] = self.noise_kpa
        found["ambient_kpa"] = self.ambient_kpa
        for name, low, high in (
            ("floor_pct", self.stalls_pct, self.runs_pct),
            ("start_pct", self.stays_pct, self.starts_pct),
        ):
            if low is not None and high is not None:
                found[name] = (low + high) / 2.0
        return found

    def shares(self) -> dict[str, float]:
        """What each measured needle passes over what its size says, by gauge."""
        return {gauge: number.value for gauge, number in self.needles.items()}

    def made_of(self) -> Made:
        """What a virtual unit is made of: `figures` and `shares`."""
        return {"figures": self.figures(), "shares": self.shares()}

    def air(self) -> Callable[[float], Air]:
        """Gives the air path with the first needle at an ambient pressure in Pa, for planning."""
        figures, shares = self.figures(), self.shares()
        return lambda pascal: air_of({**figures, "ambient_kpa": pascal / 1000.0}, shares)

    def needle(self, gauge: int) -> Needle:
        """A needle of a gauge, as it was measured where it was."""
        return needle_of(self.shares(), gauge)

    def measurement(self) -> Measurement:
        """The measurement it was fitted to."""
        levels = [Level(o.needle, o.sealed, o.duty_pct / 100.0, o.kpa, o.error_kpa, o.heat_k) for o in self.levels]
        recordings = [Recording(o.kind, tuple(o.at_s), tuple(o.kpa), o.heat_k) for o in self.recordings]
        return Measurement(
            self.source, self.noise_kpa, self.ambient_kpa, self.supply_v, self.rest_kpa, self.rest_error_kpa,
            levels, recordings, self.runs_pct, self.stalls_pct, self.starts_pct, self.stays_pct, self.kick_ms,
        )  # fmt: skip


def _shown(text: str) -> str:
    return repr(text[:40])


def load_twin(path: Path) -> Twin:
    """Read a twin file. AirquillError names the field that is wrong."""
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise AirquillError(f"{path} cannot be read: {error.strerror}.") from error
    if len(content) > MOST_BYTES:
        raise AirquillError(f"{path} is no twin: it has more than {MOST_BYTES // 1_000_000} MB.")
    try:
        return Twin.model_validate_json(content)
    except ValidationError as error:
        raise AirquillError(f"{path} is no sound twin: {_why(error)}. Measure again with airquill tune.") from None


def _why(error: ValidationError) -> str:
    errors = error.errors(include_url=False)
    # of another version everything may be wrong: say that first
    first = next((one for one in errors if one["loc"] == ("format",)), errors[0])
    if first["loc"] == ("format",):
        return f"this Airquill reads format {FORMAT}, and it is of another or says none"
    if first["type"] == "json_invalid":
        return "it is damaged, or no JSON at all"
    where = ".".join(str(part) for part in first["loc"])
    said = first["msg"].removeprefix("Value error, ")
    said = said[:1].lower() + said[1:]
    return f"{_shown(where)[1:-1]}: {said}" if where else said
