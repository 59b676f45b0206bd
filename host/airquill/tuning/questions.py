"""Questions to a person at the unit, for where no sensor says enough: swaps, a finger on the tip, a gauge, an ear.

What each answer is likely under each cause follows from the same computed units as a checkup's figures: their levels
and times are turned into what a hand, an eye or a gauge would say. One answer in ten is taken to be wrong. The next
question is always the one whose answer is expected to tell most about the cause, in bits.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from airquill.pneumatics.air import SAG_SHARE
from airquill.pneumatics.pump import Pump
from airquill.tuning.causes import CAUSES, HEALTHY, NEVER_STARTS, PEDAL
from airquill.tuning.diagnose import PRIOR_HEALTHY, Reference
from airquill.tuning.features import FEATURES, NAMES
from airquill.tuning.model import AIR_CAUSES, BINS, Model, edges

Floats = npt.NDArray[np.float64]

WRONG = 0.1
"""Share of answers that are taken to be wrong."""
ENOUGH = 0.9
"""Likelihood from which no more is asked."""
PRIOR_ASKED = 0.2
"""Likelihood of a healthy unit where somebody without a sensor looks for a fault; chosen."""
LEAST_BITS = 0.005
"""A question that is expected to tell less is not asked."""
STRENGTH_PCT = 60
_HEALTHY = [cause.name for cause in CAUSES].index(HEALTHY)
_DRAWS = 64
_SEED = 3

# What a person notices; common practice, no source. Shares are of what this unit does when healthy.
HARD_SHARE = 0.75  # a closed tip that still sucks hard
WEAK_SHARE = 0.15
HOLD_SHARE = 0.6  # a usual part still holds
SLOW_SHARE = 0.85  # of the pump's speed: it sounds slow
TURNS_SHARE = 0.05
CHANGE = 0.2  # a swap that makes a tool this much better is noticed
LATE_MS = 150.0
NEVER_KPA = 5.0  # still there after the vent: the part hangs on
HISS_KPA_S = 5.0  # a leak that a wet finger finds
PORT_SHARE = 0.03  # air through the vent beside the pump
GAUGE_KPA = 1.5
VOLTS = 0.1
WORN_MS = 20.0


@dataclass(frozen=True)
class Seen:
    """What a person could notice of units, an array of each: shares of what is healthy, unless a unit is in the name.
    `needle_gain` and `filter_gain`: logs of how much a new needle or a bypassed filter changes."""

    finger: Floats
    part: Floats
    speed: Floats
    sealed_kpa: Floats
    open_kpa: Floats
    let_go_ms: Floats
    vented_kpa: Floats
    needle_gain: Floats
    filter_gain: Floats
    hiss_kpa_s: Floats
    port: Floats
    volts: Floats
    pedal_wrong: Floats


@dataclass(frozen=True)
class Question:
    """One question. `answers` by word, with what each means; empty where a number is asked, in `unit`, with the
    standard deviation `sigma` of its reading. `sees` gives for units the place of the answer, or the number."""

    name: str
    text: str
    answers: Mapping[str, str]
    sees: Callable[[Seen], Floats]
    unit: str = ""
    sigma: float = 0.0
    pick_pct: int | None = None
    """Vacuum is to be on at this strength while it is answered; None: it does not matter or is said in `text`."""
    caution: str = ""


def _steps(value: Floats, *limits: float) -> Floats:
    """0 from the first limit on, 1 from the second, and so on."""
    found = np.zeros(len(value))
    for limit in limits:
        found += value < limit
    return found


_YES_NO = {"yes": "yes", "no": "no"}
_BETTER = {"better": "clearly better", "same": "the same as before"}
_NEEDLE = "Blunt needles still puncture: hold the hub."

QUESTIONS = (
    Question(
        "listen",
        "Vacuum is on. Listen to the pump.",
        {"usual": "it runs as always", "slow": "slow or labouring", "still": "it does not turn"},
        lambda seen: _steps(seen.speed, SLOW_SHARE, TURNS_SHARE),
        pick_pct=STRENGTH_PCT,
    ),
    Question(
        "finger",
        "Vacuum is on. Take the needle off and close the pen with a finger.",
        {"hard": "it sucks as hard as always", "weak": "weaker", "nothing": "next to nothing"},
        lambda seen: _steps(seen.finger, HARD_SHARE, WEAK_SHARE),
        pick_pct=100,
        caution=_NEEDLE,
    ),
    Question(
        "part",
        "Vacuum is on, with the needle on. Pick a part that you often use and shake it gently.",
        {"holds": "it holds", "falls": "it falls or is not picked"},
        lambda seen: _steps(seen.part, HOLD_SHARE),
        pick_pct=100,
    ),
    Question(
        "needle",
        "Put another needle of the same size on, and try again.",
        _BETTER,
        lambda seen: _steps(seen.needle_gain, CHANGE),
        pick_pct=100,
        caution=_NEEDLE,
    ),
    Question(
        "filter",
        "Take the filter out and join the hoses without it, for this try only, and try again.",
        _BETTER,
        lambda seen: _steps(seen.filter_gain, CHANGE),
        pick_pct=100,
        caution="Without the filter dust gets into valve and pump: put it back at once.",
    ),
    Question(
        "hose",
        "Vacuum is on. Close the pen with a finger and go along hose and fittings, pen to filter, with a wet finger.",
        {"hiss": "somewhere it hisses, or the tone changes", "tight": "nothing changes"},
        lambda seen: _steps(seen.hiss_kpa_s, HISS_KPA_S),
        pick_pct=100,
        caution="Keep water away from the board.",
    ),
    Question(
        "port",
        "Vacuum is on. Hold a finger before the valve's vent, then go along the line from filter to valve.",
        {"sucks": "air goes in there", "tight": "nothing"},
        lambda seen: _steps(seen.port, PORT_SHARE),
        pick_pct=100,
    ),
    Question(
        "release",
        "Pick a part, hold it over the tray and let go.",
        {"once": "it falls at once", "late": "it falls late", "hangs": "it hangs on"},
        lambda seen: np.where(seen.vented_kpa > NEVER_KPA, 2.0, (seen.let_go_ms > LATE_MS).astype(np.float64)),
    ),
    Question(
        "gauge_closed",
        "Vacuum is on. Put a gauge in the needle's place, so that nothing else is open, and read it.",
        {},
        lambda seen: seen.sealed_kpa,
        unit="kPa",
        sigma=GAUGE_KPA,
        pick_pct=100,
        caution=_NEEDLE,
    ),
    Question(
        "gauge_open",
        "Vacuum is on. Put the gauge beside the needle with a T piece, needle on and free, and read it.",
        {},
        lambda seen: seen.open_kpa,
        unit="kPa",
        sigma=GAUGE_KPA,
        pick_pct=100,
        caution=_NEEDLE,
    ),
    Question(
        "volts",
        "Vacuum is on. Measure the 12 V at the board with a meter.",
        {},
        lambda seen: seen.volts,
        unit="V",
        sigma=VOLTS,
        pick_pct=100,
        caution="Do not slip: a short blows the fuse at best.",
    ),
    Question(
        "pedal",
        "Press each pedal ten times, as you do at work.",
        {"counts": "each press does its work once", "wrong": "some do nothing, or work twice"},
        lambda seen: 1.0 - _steps(seen.pedal_wrong, 0.5),
    ),
)
BY_NAME = {question.name: question for question in QUESTIONS}


class Inquiry:
    """What is known, and what to ask next. `logs` are those of `Evidence`, `tables` those of `answer_tables`; causes
    that only a sensor has are left out with `sensor` False, and whoever asks has then seen something: healthy is less
    likely from the start. A question is asked up to `times`: a person may be wrong once, a written answer stays.
    """

    def __init__(self, tables: Mapping[str, Floats], logs: Floats, sensor: bool, times: int = 1) -> None:
        self.logs = logs.copy()
        self.asked: list[str] = []
        self._passed: set[str] = set()
        self._times = times
        if not sensor:
            self.logs[_HEALTHY] += np.log(PRIOR_ASKED / (1.0 - PRIOR_ASKED) * (1.0 - PRIOR_HEALTHY) / PRIOR_HEALTHY)
            for place, cause in enumerate(CAUSES):
                if cause.sensor:
                    self.logs[place] = -np.inf
        self._tables = tables

    def next(self) -> Question | None:
        """The most telling question that is left; None when one cause is sure enough, or nothing tells more."""
        shares = self._shares()
        if shares.sum(axis=1).max() >= ENOUGH:
            return None
        left = [question for question in QUESTIONS if self._is_left(question)]
        bits = [_bits(shares, self._tables[question.name]) for question in left]
        if not left or max(bits) < LEAST_BITS:
            return None
        return left[int(np.argmax(bits))]

    def _is_left(self, question: Question) -> bool:
        return question.name not in self._passed and self.asked.count(question.name) < self._times

    def pass_over(self, question: Question) -> None:
        """It was not answered, and is not asked again."""
        self._passed.add(question.name)

    def answer(self, question: Question, said: str) -> None:
        """Take an answer: one of its words, or a number. ValueError says what is wrong with it."""
        place = place_of(question, said)
        self.asked.append(question.name)
        with np.errstate(divide="ignore"):
            self.logs += np.log(self._tables[question.name][:, :, place])

    def _shares(self) -> Floats:
        return np.asarray(np.exp(self.logs - logsumexp(self.logs)), dtype=np.float64)


def place_of(question: Question, said: str) -> int:
    """Number of an answer among those of its question. ValueError says what is wrong with it."""
    said = said.strip()
    if question.answers:
        if said not in question.answers:
            raise ValueError(f"answer {question.name} with {', '.join(question.answers)}, not '{said}'")
        return list(question.answers).index(said)
    try:
        value = float(said.replace(",", ".").removesuffix(question.unit).strip())
    except ValueError:
        value = np.nan
    low, high = _RANGES[question.unit]
    if not low <= value <= high:
        raise ValueError(f"answer {question.name} with a number from {low:g} to {high:g} {question.unit}, not '{said}'")
    return int(np.argmin(np.abs(_grid(question) - value)))


_RANGES = {"kPa": (0.0, 105.0), "V": (0.0, 30.0)}


def _grid(question: Question) -> Floats:
    """Numbers that an answer is taken for: half a deviation apart."""
    low, high = _RANGES[question.unit]
    return np.asarray(np.arange(low, high + question.sigma / 2, question.sigma / 2), dtype=np.float64)


def answer_tables(model: Model, expected: Reference) -> dict[str, Floats]:
    """For each question: likelihood of each answer (last axis) under each cause and strength."""
    draw = np.random.default_rng(_SEED)
    cells = {
        (place, strength): _seen(model, expected, cause.name, strength, draw)
        for place, cause in enumerate(CAUSES)
        for strength in range(BINS)
    }
    found = {}
    for question in QUESTIONS:
        count = len(question.answers) or len(_grid(question))
        table = np.zeros((len(CAUSES), BINS, count))
        for cell, seen in cells.items():
            table[cell] = _shares_of(question, question.sees(seen), count)
        wrong = (1.0 - table) / (count - 1) if question.answers else 1.0 / count
        found[question.name] = (1.0 - WRONG) * table + WRONG * wrong
    return found


def _shares_of(question: Question, sees: Floats, count: int) -> Floats:
    """Share of each answer among units."""
    if question.answers:
        return np.bincount(sees.astype(np.int64), minlength=count) / len(sees)
    density = np.exp(-0.5 * ((_grid(question)[:, None] - sees) / question.sigma) ** 2).sum(axis=1)
    return np.asarray(density / density.sum(), dtype=np.float64)


def _seen(model: Model, expected: Reference, name: str, strength: int, draw: np.random.Generator) -> Seen:
    """What a person could notice of some units like this one, with a cause in a bin of strengths."""
    number = next((n for n, cause in enumerate(AIR_CAUSES) if cause.name == name), 0)
    healthy = draw.multivariate_normal(expected.mean, expected.spread, _DRAWS)
    effect = np.zeros((_DRAWS, len(NAMES)))
    if np.isfinite(model.mean[number, strength]).all():
        effect = draw.multivariate_normal(model.mean[number, strength], model.spread[number, strength], _DRAWS)
    low, high = edges()[strength : strength + 2]
    return seen_of(_figures(healthy), _figures(healthy + effect), name, draw.uniform(low, high, _DRAWS), model, draw)


def _figures(rows: Floats) -> dict[str, Floats]:
    return {feature.figure: feature.scale.back(rows[:, place]) for place, feature in enumerate(FEATURES)}


def seen_of(
    healthy: Mapping[str, Floats],
    now: Mapping[str, Floats],
    name: str,
    strength: Floats,
    model: Model,
    draw: np.random.Generator,
) -> Seen:
    """What a person could notice of units whose figures were `healthy` and are `now`, with a cause of a strength."""

    def ratio(figure: str, floor: float) -> Floats:
        return np.maximum(now[figure], floor) / np.maximum(healthy[figure], floor)

    size = len(strength)
    none, full = np.zeros(size), np.ones(size)
    closed = np.clip(ratio("sealed_kpa", 0.1), 0.0, 2.0)
    floors = {"open_kpa": 1.0, "pull_63_s": 0.01, "let_go_ms": 5.0}
    gain = np.max([np.abs(np.log(ratio(figure, floor))) for figure, floor in floors.items()], axis=0)
    leaks = np.maximum(now["decay_kpa_s"], 0.0)
    worn = model.pedals_worn[draw.integers(len(model.pedals_worn), size=size)]
    return Seen(
        finger=full if name == "tip_seal" else closed,
        part=closed,
        speed=_speed(name, strength),
        sealed_kpa=now["sealed_kpa"] if name != "tip_seal" else healthy["sealed_kpa"],
        open_kpa=now["open_kpa"],
        let_go_ms=now["let_go_ms"],
        vented_kpa=now["vented_kpa"],
        needle_gain=gain if name == "tip_clog" else np.abs(np.log(closed)) if name == "tip_seal" else none,
        filter_gain=gain if name == "filter_clog" else none,
        hiss_kpa_s=leaks if name == "leak" else none,
        port=strength if name == "valve_shut" else none,
        volts=now["supply_on_v"],
        pedal_wrong=_pedal_wrong(worn) if name == PEDAL else none,
    )


def _pedal_wrong(rows: Floats) -> Floats:
    """1 where a press is likely to be lost or to count twice: it bounces longer than the unit waits, or moves alone."""
    return ((np.expm1(rows[:, 0]) > WORN_MS) | (rows[:, 1] > 0.0)).astype(np.float64)


def _speed(name: str, strength: Floats) -> Floats:
    """Speed of the pump at STRENGTH_PCT after its start kick, over that of a healthy one."""
    usual = _settled_speed(0.0, 0.0)
    if name == "pump_still":
        return np.full(len(strength), _settled_speed(NEVER_STARTS, 0.0) / usual)
    if name == "pump_stiff":
        return np.array([_settled_speed(one, 0.0) / usual for one in strength])
    return np.array([_settled_speed(0.0, one if name == "supply_sag" else 0.0) / usual for one in strength])


def _settled_speed(stall: float, sag: float) -> float:
    pump = Pump()
    pump.stall = stall
    pump.refresh()
    for step in range(100):
        pump.step((1.0 if step < 10 else STRENGTH_PCT / 100) * (1.0 - SAG_SHARE * sag), 0.02)
    return pump.speed


def _bits(shares: Floats, table: Floats) -> float:
    """Expected information of a question about the cause, in bits: mutual information of cause and answer."""
    joint = (shares[:, :, None] * table).sum(axis=1)
    cause = joint.sum(axis=1, keepdims=True)
    answer = joint.sum(axis=0, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = joint * np.log2(joint / (cause * answer))
    return float(np.nansum(parts))
