"""Limits: what a figure must reach, from a versioned file, and how a value is judged by them."""

from __future__ import annotations

import hashlib
import tomllib
from enum import StrEnum
from importlib.resources import files
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, ValidationError, model_validator

from airquill.errors import AirquillError

Value = float | bool | None


class Outcome(StrEnum):
    """What came of a check or a figure, best first. Marginal is inside the limit, nearer to it than the guard band."""

    PASS = "pass"
    MARGINAL = "marginal"
    FAIL = "fail"
    SKIPPED = "skipped"
    ERROR = "error"


class Limit(BaseModel):
    """Limits of one figure, in its unit. `must` is for a figure that is yes or no."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    low: float | None = None
    high: float | None = None
    must: bool | None = None
    guard: float = 0.0
    flag: Literal["S", "C", "P", "M"]

    @model_validator(mode="after")
    def _sound(self) -> Limit:
        numbers = self.low is not None or self.high is not None
        if numbers == (self.must is not None):
            raise ValueError("give low, high or both, or else must")
        if self.low is not None and self.high is not None and self.high - self.low < 2 * self.guard:
            raise ValueError("nothing can pass between low and high with this guard")
        if self.guard < 0:
            raise ValueError("guard cannot be negative")
        return self

    def judge(self, value: Value) -> Outcome:
        """A value that could not be measured fails."""
        if value is None:
            return Outcome.FAIL
        if self.must is not None:
            return Outcome.PASS if value is self.must else Outcome.FAIL
        room = min(
            value - self.low if self.low is not None else float("inf"),
            self.high - value if self.high is not None else float("inf"),
        )
        return Outcome.FAIL if room < 0 else Outcome.MARGINAL if room < self.guard else Outcome.PASS


class Limits(BaseModel):
    """A limits file. `needle_gauge` is the needle that its levels are for."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    version: int
    needle_gauge: int
    figures: dict[str, Limit]
    hash: str = ""


def load_limits(path: Path | None = None) -> Limits:
    """The limits of a file, or those that come with the bench. AirquillError says what is wrong with a file."""
    name = str(path) if path else "the bench's limits"
    try:
        data = path.read_bytes() if path else (files("airquill_hil") / "limits.toml").read_bytes()
        found = tomllib.loads(data.decode("utf-8"))
        return Limits.model_validate({**found, "hash": hashlib.sha256(data).hexdigest()[:16]})
    except OSError as error:
        raise AirquillError(f"{name} cannot be read: {error.strerror}.") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise AirquillError(f"{name} is no TOML: {error}.") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the file"
        raise AirquillError(f"{name}: {where}: {first['msg']}.") from error
