"""What is to be seen of a unit at work at one moment: the last seconds of vacuum, what moves, what was counted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from airquill.link.catalogue import FAULTS
from airquill.live.picks import Pick
from airquill.live.trend import Notice
from airquill.report.trace import Trace

WINDOW_S = 20.0
_FAULTS = {entry.number: entry for entry in FAULTS}


@dataclass
class Scene:
    """Takes the lines of a recording and the picks found in them; the rest of a program only looks."""

    name: str
    sensor: bool
    preset_names: Mapping[int, str]
    preset: int
    strength_pct: float
    recording: str = ""
    at_s: float = 0.0
    state: str = "idle"
    grip: str = "unknown"
    missed: bool = False
    kpa: float | None = None
    pump_pct: float = 0.0
    valve_pct: float = 0.0
    supply_v: float | None = None
    pedals: dict[int, bool] = field(default_factory=dict)
    picks: int = 0
    released: int = 0
    misses: int = 0
    losses: int = 0
    lines_lost: int = 0
    fault: str = ""
    trace: Trace = field(default_factory=Trace)
    last_pick: Pick | None = None
    notices: list[Notice] = field(default_factory=list)
    waiting: int = 0
    """Picks until a change over many of them can be told."""

    def take(self, line: Mapping[str, Any]) -> None:
        """Take a line."""
        self.at_s = float(line["at_s"])
        self.lines_lost += int(line.get("lost") or 0)
        event = line.get("event")
        if event == "cycle":
            self._move(str(line["state"]))
        elif event == "pedal":
            self.pedals[int(line["pedal"])] = bool(line["down"])
        elif event == "grip":
            self._gripped(str(line["what"]))
        elif event == "preset":
            self.preset, self.strength_pct = int(line["number"]), float(line["strength_pct"])
        elif event == "fault":
            self._faulted(line)
        elif event is None:
            self._sample(line)

    def _move(self, state: str) -> None:
        if state == "picking" and self.state != "holding":
            self.picks += 1
            self.missed = False
        self.state = state
        self.trace.states.append((self.at_s, state))

    def _gripped(self, what: str) -> None:
        self.misses += what == "missed"
        self.losses += what == "lost"
        self.released += what == "released"
        self.missed = what in ("missed", "lost")
        self.grip = "held" if what == "found" else "none"

    def _faulted(self, line: Mapping[str, Any]) -> None:
        entry = _FAULTS.get(int(line.get("number") or 0))
        if entry is not None and entry.kind == "fault":
            self.fault = entry.help if line.get("on") else ""

    def _sample(self, line: Mapping[str, Any]) -> None:
        kpa = line.get("vacuum.kpa")
        if kpa is not None:
            self.kpa = float(kpa)
            self.trace.at_s.append(self.at_s)
            self.trace.kpa.append(self.kpa)
            self._forget()
        for path, name in _KEPT.items():
            if line.get(path) is not None:
                setattr(self, name, float(line[path]))
        if line.get("cycle.grip") is not None:
            self.grip = str(line["cycle.grip"])
        for path, name in _COUNTED.items():
            if line.get(path) is not None:
                setattr(self, name, int(line[path]))

    def _forget(self) -> None:
        trace, from_s = self.trace, self.at_s - WINDOW_S
        while trace.at_s[0] < from_s:
            del trace.at_s[0], trace.kpa[0]
        while len(trace.states) > 1 and trace.states[1][0] <= from_s:
            del trace.states[0]

    def window(self) -> Trace:
        """The last seconds, with now at time zero."""
        return self.trace.moved(-self.at_s)

    @property
    def word(self) -> str:
        """What is going on, for a person: held, no part, and so on."""
        if self.state == "holding":
            return "part held" if self.grip == "held" else "holding"
        if self.state == "picking" and self.missed:
            return "no part"
        return {"releasing": "letting go"}.get(self.state, self.state)

    @property
    def mood(self) -> str:
        """good, look or bad where the word is one of these, else empty."""
        moods = {"part held": "good", "holding": "good", "no part": "look", "picking": "look", "stopped": "bad"}
        return moods.get(self.word, "")


_KEPT = {
    "pump.duty_pct": "pump_pct",
    "valve.duty_pct": "valve_pct",
    "supply.volts": "supply_v",
    "preset.strength_pct": "strength_pct",
}
_COUNTED = {"cycle.picks": "picks", "cycle.released": "released"}
