"""Presets and pump settings out of a twin, each with its reason in a sentence."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from math import ceil

from airquill.link.convert import Value
from airquill.planning.choice import Bench
from airquill.planning.packages import Package, load_knowledge
from airquill.planning.plan import DUTIES, STEADY_RESERVE
from airquill.planning.presets import LEAST_TARGET_KPA
from airquill.pneumatics.needles import SIZES_MM
from airquill.tuning.prospect import Outlook, Prospect
from airquill.twin.file import Twin

FLOOR_MARGIN_PCT = 3  # a warm or older pump stalls sooner; chosen
ABOVE_FLOOR_PCT = 5
MOST_FLOOR_PCT = 60
KICK_TIMES = 3
LEAST_KICK_MS = 60  # a pump takes about that to come to speed; from memory
VENT_TIMES = 1.25
SETTLE_TIMES = 1.2
PEAK_TIMES = 3
CLEAR_NOISES = 6.0  # between open and sealed, for a grip that is told without doubt; chosen
LOST_SHARE = 0.6
_PRESETS = 8
_GAUGE = re.compile(r"\s*(\d\d)\s*G\b")


@dataclass(frozen=True)
class Advice:
    """A setting as it is, as it should be, and why."""

    path: str
    now: Value
    wanted: Value
    reason: str

    @property
    def changes(self) -> bool:
        """Whether it differs from what the unit has."""
        return self.now != self.wanted


@dataclass(frozen=True)
class Use:
    """A preset with its needle: before and after, and the part that it is chosen by."""

    preset: int
    name: str
    before: Prospect
    after: Prospect
    needed_kpa: float
    heaviest: str


@dataclass(frozen=True)
class Recommendation:
    """All advice, what presets do before and after, and what could not be told."""

    advice: tuple[Advice, ...]
    uses: tuple[Use, ...]
    let_go_ms: float | None
    notes: tuple[str, ...]

    def changes(self) -> dict[str, Value]:
        """Settings that would change, by path."""
        return {one.path: one.wanted for one in self.advice if one.changes}


def recommend(twin: Twin, running: Mapping[str, Value], altitude_m: float, senses: bool) -> Recommendation:
    """Advice for a unit that runs these settings. `senses`: it has a vacuum sensor."""
    return _Advisor(twin, running, altitude_m, senses).all()


class _Advisor:
    def __init__(self, twin: Twin, running: Mapping[str, Value], altitude_m: float, senses: bool) -> None:
        self._twin = twin
        self._running = running
        self._senses = senses
        self._outlook = Outlook(twin)
        self._advice: list[Advice] = []
        self._notes: list[str] = []
        self._gauges = self._presets()
        self._floor_pct = float(str(running["pump.floor_pct"]))
        self._kick_ms = float(str(running["pump.kick_ms"]))
        at_hand = tuple(sorted(set(self._gauges.values()) | {int(gauge) for gauge in twin.needles}))
        self._bench = Bench(gauges=at_hand, altitude_m=altitude_m, air=twin.air(), needle=twin.needle)

    def _presets(self) -> dict[int, int]:
        """Gauge by preset, where a preset's name begins with one."""
        found = {}
        for number in range(1, _PRESETS + 1):
            match = _GAUGE.match(str(self._running[f"preset{number}.name"]))
            if match and int(match[1]) in SIZES_MM:
                found[number] = int(match[1])
        return found

    def all(self) -> Recommendation:
        """Pump first: strengths stay above its floor."""
        self._pump()
        uses = self._uses()
        self._levels(uses)
        self._grip(uses)
        let_go_ms = self._times(uses)
        unnamed = [gauge for gauge in self._twin.needles if int(gauge) not in self._gauges.values()]
        if unnamed:
            self._notes.append(
                f"No preset's name begins with {unnamed[0]}G, so none was chosen for it. Name one so, then tune again."
            )
        return Recommendation(tuple(self._advice), tuple(uses), let_go_ms, tuple(self._notes))

    def _say(self, path: str, wanted: Value, reason: str) -> None:
        self._advice.append(Advice(path, self._running[path], wanted, reason))

    # ---- pump

    def _pump(self) -> None:
        twin = self._twin
        if twin.runs_pct is None or twin.stalls_pct is None:
            self._notes.append("Floor and kick of the pump were not measured and stay as they are.")
            return
        self._floor_pct = float(min(ceil(twin.runs_pct) + FLOOR_MARGIN_PCT, MOST_FLOOR_PCT))
        self._say(
            "pump.floor_pct",
            _tenths(self._floor_pct),
            f"The pump ran on at {twin.runs_pct:g} % and stalled at {twin.stalls_pct:g} %; "
            f"{FLOOR_MARGIN_PCT} % more for a warm or older one.",
        )
        if twin.kick_ms is not None and twin.starts_pct is not None:
            enough = max(_tens(KICK_TIMES * twin.kick_ms), LEAST_KICK_MS)
            self._kick_ms = max(float(enough), self._kick_ms)
            self._say(
                "pump.kick_ms",
                int(self._kick_ms),
                f"Standing, it starts at {twin.starts_pct:g} %, and ran on after a kick of {twin.kick_ms} ms at full "
                f"duty: {enough} ms are enough, and a longer kick only quickens the first pick.",
            )
            self._say("pump.kick_pct", _tenths(100.0), "Full duty starts a pump for certain.")
        elif twin.source == "gauge":
            self._notes.append("The kick that the pump needs cannot be told with a gauge and stays as it is.")
        idle = float(str(self._running["pump.idle_pct"]))
        least = self._floor_pct + ABOVE_FLOOR_PCT
        if 0.0 < idle < least:
            why = f"Between picks it must not stall: {ABOVE_FLOOR_PCT} % above its floor."
            self._say("pump.idle_pct", _tenths(least), why)
        self._say(
            "control.low_pct",
            _tenths(least),
            f"Low duty of two-level control, as low as the pump surely turns: {ABOVE_FLOOR_PCT} % above its floor.",
        )

    # ---- presets

    def _its_packages(self) -> dict[int, list[Package]]:
        """Known packages by the coarsest needle at hand that takes them: the least vacuum holds them there.

        A needle that none is left for gets those of the next coarser one that it takes too.
        """
        found: dict[int, list[Package]] = {gauge: [] for gauge in self._bench.gauges}
        knowledge = load_knowledge()
        for name in knowledge.names():
            package = knowledge.named(name)
            takes = self._bench.takes(package) if package else ()
            if package and takes:
                found[takes[0]].append(package)
        for coarser, gauge in itertools.pairwise(self._bench.gauges):
            if not found[gauge]:
                found[gauge] = [one for one in found[coarser] if gauge in self._bench.takes(one)]
        return found

    def _uses(self) -> list[Use]:
        packages = self._its_packages()
        uses = []
        for number, gauge in self._gauges.items():
            its = packages[gauge]
            heaviest = max(its, key=lambda one: self._bench.needed_kpa(one, gauge), default=None)
            needed = self._bench.needed_kpa(heaviest, gauge) if heaviest else 0.0
            duty = self._duty(gauge, its)
            before_pct = float(str(self._running[f"preset{number}.strength_pct"]))
            kick_now = float(str(self._running["pump.kick_ms"]))
            before = self._outlook.of(gauge, before_pct, kick_now, needed)
            after = self._outlook.of(gauge, 100.0 * duty, self._kick_ms, needed)
            name = str(self._running[f"preset{number}.name"])
            use = Use(number, name, before, after, needed, heaviest.name if heaviest else "")
            uses.append(use)
            self._say(f"preset{number}.strength_pct", _tenths(100.0 * duty), self._why_strength(use, duty))
            held = self._bench.held_kpa(gauge, True, duty)
            target = min(ceil(max(STEADY_RESERVE * needed, LEAST_TARGET_KPA)), int(held))
            self._say(
                f"preset{number}.target_kpa",
                _hundredths(float(target)),
                f"{STEADY_RESERVE:g} times what its heaviest part needs, {LEAST_TARGET_KPA:g} kPa at least"
                + (", and no more than the pump reaches under a rough part." if target == int(held) else "."),
            )
        return uses

    def _duty(self, gauge: int, packages: Sequence[Package]) -> float:
        """The weakest duty that holds them with the reserve of a plan, above the floor."""
        least = (self._floor_pct + ABOVE_FLOOR_PCT) / 100.0
        duties = [duty for duty in DUTIES if duty >= least] or [1.0]
        bench = self._bench
        for duty in duties:
            if all(
                bench.held_kpa(gauge, one.rough, duty) >= STEADY_RESERVE * bench.needed_kpa(one, gauge)
                for one in packages
            ):
                return duty
        return duties[-1]

    def _why_strength(self, use: Use, duty: float) -> str:
        gauge = use.after.gauge
        measured = str(gauge) in self._twin.needles
        tail = "" if measured else " This needle was not measured; its size is taken."
        if not use.heaviest:
            return f"No part that is known needs the {gauge}G needle, so the weakest strength does." + tail
        held = self._bench.held_kpa(gauge, True, duty)
        return (
            f"The {gauge}G needle's heaviest part, {use.heaviest}, needs {use.needed_kpa:.1f} kPa with its safety "
            f"factor, and {100 * duty:.0f} % holds it with {held:.0f}. Open and sealed are {use.after.gap_kpa:.1f} kPa "
            "apart then: the weaker the pump, the clearer a missing part." + tail
        )

    def _levels(self, uses: Sequence[Use]) -> None:
        """Open and sealed as learning would find them, for the needles that were measured."""
        if not self._senses:
            return
        other = sorted({use.after.gauge for use in uses} - {int(gauge) for gauge in self._twin.needles})
        if other:
            listed = ",".join(str(gauge) for gauge in other)
            self._notes.append(
                "Open and sealed levels are given for the needles that were measured. For the others measure them too "
                f"(--needles {listed}), or let the unit learn them."
            )
        for use in uses:
            if str(use.after.gauge) in self._twin.needles:
                self._levels_of(use)

    def _levels_of(self, use: Use) -> None:
        after = use.after
        if not self._is_clear(after):
            self._notes.append(
                f"Preset {use.preset}: with the {after.gauge}G needle open and sealed are {after.gap_kpa:.2f} kPa "
                f"apart, too near for a noise of {self._twin.noise_kpa:.2f} kPa. A grip cannot be told there."
            )
            return
        strength = f"at {after.strength_pct:g} %, by the fit through what was measured."
        for word, kpa in (("open", after.open_kpa), ("sealed", after.sealed_kpa)):
            self._say(f"preset{use.preset}.{word}_kpa", _hundredths(kpa), f"Vacuum with the tip {word} {strength}")

    def _is_clear(self, prospect: Prospect) -> bool:
        return prospect.open_kpa > 0.0 and prospect.gap_kpa >= CLEAR_NOISES * self._twin.noise_kpa

    def _grip(self, uses: Sequence[Use]) -> None:
        clear = [use for use in uses if str(use.after.gauge) in self._twin.needles and self._is_clear(use.after)]
        if not self._senses or not clear:
            return
        worst = min(clear, key=lambda use: use.after.part_share)
        share = max(worst.after.part_share, 0.0)
        found = min(max(round(50.0 * share), 15), 80)
        lost = max(round(LOST_SHARE * found), 5)
        self._say(
            "grip.found_pct",
            found,
            f"Half-way between an open tip and a rough part at its worst, which brings the {worst.after.gauge}G needle "
            f"to {100.0 * share:.0f} % of the gap.",
        )
        apart = (found - lost) / 100.0 * min(use.after.gap_kpa for use in clear)
        self._say(
            "grip.lost_pct",
            lost,
            f"{LOST_SHARE:g} of that, so that noise does not lose a part: the two are {apart:.2f} kPa apart, "
            f"{apart / max(self._twin.noise_kpa, 0.01):.0f} times the noise.",
        )

    # ---- times

    def _times(self, uses: Sequence[Use]) -> float | None:
        let_go_ms = self._outlook.let_go_ms()
        if let_go_ms is None:
            self._notes.append(
                "How fast the vacuum comes and goes cannot be told from levels: the times of vent, peak and settling "
                "stay."
            )
            return None
        vent = min(max(_tens(VENT_TIMES * let_go_ms), 10), 2000)
        self._say(
            "valve.vent_ms",
            vent,
            f"A sealed tip is at 1 kPa {let_go_ms:.0f} ms after the command; a quarter more for safety.",
        )
        on_ms = self._twin.parameters["on_ms"].high
        peak = max(_tens(PEAK_TIMES * on_ms), int(str(self._running["valve.peak_ms"])))
        within = f"The valve had joined pump and tip within {max(on_ms, 1.0):.0f} ms"
        self._say("valve.peak_ms", min(peak, 500), f"{within}; {PEAK_TIMES} times that at least.")
        picks = [use.after.pick_s for use in uses if use.after.pick_s is not None]
        if picks:
            settle = min(_tens(SETTLE_TIMES * 1000.0 * max(picks)), 3000)
            self._say(
                "cycle.settle_ms",
                settle,
                f"From a standing pump the slowest preset holds its heaviest part, rough top, after "
                f"{1000 * max(picks):.0f} ms; a fifth more.",
            )
        return let_go_ms


def _tenths(value: float) -> Decimal:
    return Decimal(value).quantize(Decimal("0.1"), ROUND_HALF_UP)


def _hundredths(value: float) -> Decimal:
    return Decimal(max(value, 0.0)).quantize(Decimal("0.01"), ROUND_HALF_UP)


def _tens(value: float) -> int:
    """Up to the next ten."""
    return 10 * ceil(max(value, 0.0) / 10.0)
