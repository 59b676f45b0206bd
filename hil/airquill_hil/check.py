"""What a check is: what it needs, its figures with why and the fault that makes each fail, how they are measured."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from airquill.report.trace import Trace
from airquill_hil.bench import Bench
from airquill_hil.limits import Value


@dataclass
class Measured:
    """Values by figure name (None: could not be measured), notes by figure name, traces by a name of their own."""

    values: dict[str, Value] = field(default_factory=dict)
    notes: dict[str, str] = field(default_factory=dict)
    traces: dict[str, Trace] = field(default_factory=dict)

    def put(self, name: str, value: Value, note: str = "") -> None:
        self.values[name] = value
        if note:
            self.notes[name] = note


@dataclass(frozen=True)
class Figure:
    """One figure of a check. `fault` is the fault of a virtual unit, in the words of faults.py, that makes it fail."""

    name: str
    unit: str
    reason: str
    fault: str
    needs: str = ""
    """A capability beside the check's own; without it this figure alone is skipped."""


@dataclass(frozen=True)
class Check:
    """A check: what it needs of unit and bench, its figures, and how they are measured."""

    name: str
    title: str
    needs: tuple[str, ...]
    figures: tuple[Figure, ...]
    measure: Callable[[Bench], Measured]
    only_with: str = ""
    """A capability of the unit without which there is nothing to check, so that nothing is left undecided."""
