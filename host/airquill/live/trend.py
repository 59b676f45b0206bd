"""What changes over many picks, told before it fails: against the unit as it was accepted, against what its presets
have learned, and against the first picks of the same recording.

Parts, needles and hands differ from pick to pick, and none of them is the unit. So single picks decide nothing: a set
of picks of one preset at one strength is summed up by those that sealed well, a change must be larger than what parts
make, than three times the scatter, and must show in the newer half of the set as well.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from itertools import islice
from math import sqrt
from statistics import median

from airquill.live.picks import PULL_DOWN_KPA, Pick
from airquill.live.recording import Header
from airquill.tuning.baseline import Baseline
from airquill.tuning.checkup import sea_level_factor

SET = 12
"""Picks that are summed up at once."""
LEAST = 6
"""Of these, how many must show a figure; of the newer half, half as many."""
FULL_STRENGTH_PCT = 90.0
"""Picks at less than this are not compared with figures of full strength."""

# A part with a rough top leaks: up to 6 % less level on the widest of the usual needles at half strength (computed with
# pneumatics/part.py, 7.5 um under the rim of an 18G needle). A pump that gets warm moves up to 7 % less (pump.py).
LEAST_LEVEL_SHARE = 0.90
MOST_TIMES = 1.33
_WELL_SEALED = 0.93  # of the set's upper quartile
_SAME_LEVEL = 0.95
_SCATTER = 3.0
_MEDIAN_ERROR = 1.2533 * 1.4826  # standard error of a median from the median deviation, for normal values


@dataclass(frozen=True)
class Typical:
    """A figure over a set of picks: its median and the standard error of that."""

    value: float
    error: float = 0.0


Figures = dict[str, Typical]
"""By name: level_kpa, pull_down_s, let_go_ms, vent_ms."""


@dataclass(frozen=True)
class Notice:
    """A change worth a look. `kind` is level, pull_down or let_go; `against` is accepted, learned or first_picks;
    `pick` is the number of the newest pick by then."""

    kind: str
    against: str
    preset: int
    strength_pct: float
    now: float
    then: float
    pick: int
    sentence: str

    def as_json(self) -> dict[str, object]:
        return dict(vars(self))


def summed(picks: Collection[Pick], pull_down_kpa: float = PULL_DOWN_KPA, least: int = LEAST) -> Figures:
    """The typical figures of a set of picks; those that fewer than `least` of them show are missing."""
    levels = sorted(pick.level_kpa for pick in picks if pick.level_kpa is not None)
    if len(levels) < least:
        return {}
    top = levels[len(levels) * 3 // 4]
    sealed = [pick for pick in picks if pick.level_kpa is not None and pick.level_kpa >= _WELL_SEALED * top]
    of: dict[str, Callable[[Pick], float | None]] = {
        "level_kpa": lambda pick: pick.level_kpa,
        "pull_down_s": lambda pick: None if pick.from_standstill else pick.pull_down_s(pull_down_kpa),
        "let_go_ms": lambda pick: pick.let_go_ms,
        "vent_ms": lambda pick: pick.vent_ms,
    }
    found = {}
    for name, figure in of.items():
        values = [value for value in map(figure, sealed) if value is not None]
        # Few of a set seal where most miss: the level is told by fewer picks than the times.
        if len(values) >= (least // 2 if name == "level_kpa" else least):
            middle = median(values)
            scatter = median(abs(value - middle) for value in values)
            found[name] = Typical(middle, _MEDIAN_ERROR * scatter / sqrt(len(values)))
    return found


@dataclass
class _Group:
    """Picks of one preset at one strength."""

    first: list[Pick] = field(default_factory=list)
    last: deque[Pick] = field(default_factory=lambda: deque(maxlen=SET))
    count: int = 0


class Trend:
    """Takes picks one by one. `arisen` are the notices so far, each once; `notices` says what is so now."""

    def __init__(self, header: Header) -> None:
        self.arisen: list[Notice] = []
        self._header = header
        self._groups: dict[tuple[int, float], _Group] = {}
        self._newest: tuple[int, float] | None = None
        self._factor = None if header.altitude_m is None else sea_level_factor(header.altitude_m)

    def take(self, pick: Pick) -> list[Notice]:
        """Take a pick; the notices that come with it."""
        key = (pick.preset, pick.strength_pct)
        group = self._groups.setdefault(key, _Group())
        self._newest = key
        group.count += 1
        if len(group.first) < SET:
            group.first.append(pick)
        group.last.append(pick)
        known = {_identity(notice) for notice in self.arisen}
        new = [notice for notice in self._of_group(key, group) if _identity(notice) not in known]
        self.arisen += new
        return new

    @property
    def waiting(self) -> int:
        """How many picks the newest preset and strength still need before anything can be said."""
        group = self._groups.get(self._newest) if self._newest else None
        return SET - min(group.count if group else 0, SET)

    def notices(self) -> list[Notice]:
        """What has changed, of every preset and strength, the reference that lies furthest back first."""
        return [notice for key, group in self._groups.items() for notice in self._of_group(key, group)]

    def _of_group(self, key: tuple[int, float], group: _Group) -> list[Notice]:
        if group.count < SET:
            return []
        now = self._summed(group.last)
        newer = self._summed(list(islice(group.last, SET // 2, None)), LEAST // 2)
        found: dict[str, Notice] = {}
        for against, then in self._references(key, group):
            for notice in _compared(now, newer, then, against, group.last[-1]):
                found.setdefault(notice.kind, notice)
        return list(found.values())

    def _references(self, key: tuple[int, float], group: _Group) -> list[tuple[str, Figures]]:
        return [
            ("accepted", self._accepted(key[1])),
            ("learned", self._learned(*key)),
            ("first_picks", self._summed(group.first) if group.count >= 2 * SET else {}),
        ]

    def _summed(self, picks: Collection[Pick], least: int = LEAST) -> Figures:
        found = summed(picks, PULL_DOWN_KPA / (self._factor or 1.0), least)
        return found if self._is_steady() else {name: found[name] for name in found if name in ("let_go_ms", "vent_ms")}

    def _accepted(self, strength_pct: float) -> Figures:
        """The figures of acceptance as this unit's sensor would show them here, those that can be compared."""
        accepted = self._header.accepted()
        if accepted is None:
            return {}
        names = ["let_go_ms", "vent_ms"]
        if self._factor is not None and strength_pct >= FULL_STRENGTH_PCT:
            names += ["sealed_kpa", "pull_down_s"]
        return _here(accepted, names, self._factor or 1.0)

    def _learned(self, number: int, strength_pct: float) -> Figures:
        for preset in self._header.presets:
            if preset.number == number and preset.sealed_kpa > 0 and preset.strength_pct == strength_pct:
                return {"level_kpa": Typical(preset.sealed_kpa)}
        return {}

    def _is_steady(self) -> bool:
        return self._header.control == "steady"

    def cannot_tell(self) -> list[str]:
        """Sentences on what these picks do not tell, and how to learn it."""
        header, found = self._header, []
        if not header.sensor:
            return ["Without a vacuum sensor picks say nothing about the air. Use airquill diagnose."]
        if not self._is_steady():
            found.append("Two-level control keeps the level by itself, so levels and pull-down are not compared.")
        if header.accepted() is None:
            found.append("The unit keeps no figures of its acceptance: only changes within this recording can show.")
        else:
            if header.altitude_m is None:
                found.append(
                    "Without --altitude the level is not compared with acceptance, whose figures are as at sea level."
                )
            if any(strength < FULL_STRENGTH_PCT for _, strength in self._groups):
                found.append(
                    f"Picks below {FULL_STRENGTH_PCT:.0f} % strength are compared with acceptance in letting go alone."
                )
        found.append(
            "A small leak, a worn pedal or a sensor that drifts cannot be told from picks; airquill diagnose can."
        )
        return found


def _identity(notice: Notice) -> tuple[object, ...]:
    return notice.kind, notice.against, notice.preset, notice.strength_pct


def _here(accepted: Baseline, names: Sequence[str], factor: float) -> Figures:
    found = {}
    for name in names:
        value = accepted.figures.get(name)
        if value is not None and value > 0:
            here = value / factor if name == "sealed_kpa" else value
            found["level_kpa" if name == "sealed_kpa" else name] = Typical(here)
    return found


def _compared(now: Figures, newer: Figures, then: Figures, against: str, last: Pick) -> list[Notice]:
    found = []
    for kind, name, worded in (
        ("level", "level_kpa", _level_sentence),
        ("pull_down", "pull_down_s", _pull_down_sentence),
        ("let_go", "let_go_ms", _let_go_sentence),
    ):
        if name in now and name in newer and name in then and _has_changed(name, now[name], newer[name], then[name]):
            sentence = worded(now, then, _SINCE[against])
            here, there = round(now[name].value, 3), round(then[name].value, 3)
            found.append(Notice(kind, against, last.preset, last.strength_pct, here, there, last.number, sentence))
    return found


def _has_changed(name: str, now: Typical, newer: Typical, then: Typical) -> bool:
    if abs(now.value - then.value) <= _SCATTER * sqrt(now.error**2 + then.error**2):
        return False
    both = (now.value / then.value, newer.value / then.value)
    return max(both) < LEAST_LEVEL_SHARE if name == "level_kpa" else min(both) > MOST_TIMES


_SINCE = {
    "accepted": "when the unit was accepted",
    "learned": "when the preset was learned",
    "first_picks": "at the first picks of this recording",
}


def _level_sentence(now: Figures, then: Figures, since: str) -> str:
    here, there = now["level_kpa"].value, then["level_kpa"].value
    return (
        f"Parts are held with {here:.0f} kPa, {1 - here / there:.0%} less than {since}. Look for a leak in hose and "
        "fittings, a weak pump, a low supply; parts or a needle that seal worse look the same."
    )


def _pull_down_sentence(now: Figures, then: Figures, since: str) -> str:
    begins = f"Pull-down takes {longer(now['pull_down_s'].value / then['pull_down_s'].value)} {since}"
    if "level_kpa" in now and "level_kpa" in then and now["level_kpa"].value < _SAME_LEVEL * then["level_kpa"].value:
        return f"{begins}, and ends lower: a weak pump, a leak or a low supply."
    return f"{begins}: clean or change the filter. If it stays, the pump is weak."


def _let_go_sentence(now: Figures, then: Figures, since: str) -> str:
    """What lengthens the vent itself is in the way of the air; what begins it late is the valve."""
    begins = f"Letting go takes {longer(now['let_go_ms'].value / then['let_go_ms'].value)} {since}"
    if "vent_ms" in now and "vent_ms" in then:
        if now["vent_ms"].value > (1 + (MOST_TIMES - 1) / 2) * then["vent_ms"].value:
            return f"{begins}: clean or change the filter."
        return f"{begins}, and begins late: the valve is slow. Clean it, and see that its supply is 12 V."
    return f"{begins}: clean or change the filter. If it stays, the valve is slow."


def longer(times: float) -> str:
    """A ratio above 1 in words, to go before what it is compared with: 1.33 is `a third longer than`."""
    if times >= 1.9:
        return f"{'twice' if times < 2.25 else f'{times:.1f} times'} as long as"
    words = (
        (1.25, "a quarter longer than"),
        (1.33, "a third longer than"),
        (1.5, "half as long again as"),
        (1.67, "two thirds longer than"),
        (1.75, "three quarters longer than"),
    )
    return min(words, key=lambda word: abs(word[0] - times))[1]
