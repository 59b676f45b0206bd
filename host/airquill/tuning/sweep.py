"""The guided measurement: what a unit's air does at which duty, with the tip open and sealed.

Only one command of the unit's is under way at a time, nothing is saved, and its settings are its own again afterwards,
also when this is left early.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from math import exp, log

import numpy as np

from airquill.errors import AirquillError
from airquill.link.convert import Value
from airquill.pneumatics.ambient import ambient_pa
from airquill.pneumatics.pump import HEAT_K, HEAT_S, RATED_VOLTS
from airquill.tuning.kept import as_it_was
from airquill.tuning.readers import Reader, Tape
from airquill.tuning.tool import DEAD_MAN_MS, Tool
from airquill.twin.measurement import DECAY, PULL_DOWN, VENT, Kind, Level, Measurement, Recording

OPEN_PCT = (100, 85, 70, 60, 50, 45, 40, 35, 30, 25, 20, 15, 10)
GAUGE_PCT = (100, 70, 50, 40, 30)
MORE_NEEDLES_PCT = (100, 70, 50)
SEALED_PCT = (85, 70, 55, 45)
PULLS = 3
PULL_S = 1.2
VENT_S = 0.5
DECAY_S = 4.0
DECAY_FROM_S = 0.6
"""After the command: the pump has stopped turning by then."""
LEFT_S = 1.0
SEAL_TRIES = 3
SEAL_SHARE = 0.5
"""Of what the open tip loses, that a sealed one may lose at most."""
STALLED_SHARE = 0.4
KICKS_MS = (10, 20, 40, 80, 160, 320)
ABOVE_FLOOR_PCT = 5
VENT_MS = 200
LEAST_KPA = 0.3

SETTINGS: dict[str, Value] = {
    "control.mode": "steady",
    "grip.detect": False,
    "sensor.filter_ms": 0,
    "pump.floor_pct": 0,
    "pump.kick_ms": 0,
    "pump.kick_pct": 100,
    "pump.ramp_ms": 0,
    "pump.idle_pct": 0,
    "pump.idle_off_s": 120,
    "pump.longest_run_s": 900,
    "valve.vent_ms": VENT_MS,
    "valve.blow_ms": 0,
    "panel.lock": True,
    "keys.on_gripped": b"",
    "keys.on_released": b"",
    "keys.on_missed": b"",
    "keys.on_lost": b"",
}
"""What runs meanwhile: the pump does what it is told, the sensor shows what it sees, and nothing is typed."""


class Sweep:
    """One guided measurement. `on_step` is told what comes next and how much of all is done, 0 to 1."""

    def __init__(
        self,
        tool: Tool,
        reader: Reader,
        needles: Sequence[int],
        altitude_m: float = 0.0,
        on_step: Callable[[str, float], None] = lambda _step, _share: None,
        tell: Callable[[str], None] = lambda _sentence: None,
    ) -> None:
        """AirquillError for an altitude outside the standard atmosphere."""
        self._tool = tool
        self._unit = tool.unit
        self._reader = reader
        self._needles = list(dict.fromkeys(needles))
        self._on_step = on_step
        self._tell = tell
        self._heat_k = 0.0
        self._duty = 0.0
        self._since_s = self._on_s = self._off_s = tool.unit.port.now()
        self._running: dict[int, float] = {}
        self._open_left: float | None = None
        try:
            self.found = Measurement(reader.source, 0.0, ambient_pa(altitude_m) / 1000.0)
        except ValueError as error:
            raise AirquillError(f"No unit is tuned there: {error}.") from error

    def run(self) -> Measurement:
        """Measure. AirquillError says what is in the way: no vacuum, a tip that is not sealed, a lost link."""
        found, hands = self.found, self._tool.hands
        with as_it_was(self._tool, SETTINGS):
            hands.fit_needle(self._needles[0])
            hands.open_tip()
            self._on_step("At rest", 0.0)
            self._unit.port.sleep(2.0)  # a vent and a pump that turns on end by then
            found.rest_kpa, found.rest_error_kpa, found.noise_kpa = self._reader.rest()
            self._open(self._needles[0])
            for n, needle in enumerate(self._needles[1:]):
                self._on_step(f"Needle {needle}G", 0.5 + 0.1 * n / len(self._needles))
                hands.fit_needle(needle)
                hands.open_tip()
                for pct in MORE_NEEDLES_PCT:
                    if pct >= (found.runs_pct or 0) + ABOVE_FLOOR_PCT:
                        found.levels.append(self._level(needle, False, pct))
            # with the needle that will be sealed, to be compared with that
            self._open_left = self._left()
            self._sealed(self._needles[-1])
            hands.open_tip()
        self._on_step("Measured", 1.0)
        return found

    # ---- the pump and what it has done

    def _drives(self, duty: float) -> None:
        """Note that the pump gets this duty from now on: it warms by it."""
        now = self._unit.port.now()
        end = HEAT_K * self._duty * self._duty
        self._heat_k = end + (self._heat_k - end) * exp(-(now - self._since_s) / HEAT_S)
        self._duty, self._since_s = duty, now

    def _idle(self, pct: int) -> None:
        """Let the pump run at a duty between picks; one that stands stays so."""
        self._unit.set({"pump.idle_pct": pct})
        self._drives(pct / 100.0)

    def _stand(self) -> None:
        """Stop the pump, and let the unit come to rest."""
        self._unit.set({"pump.idle_pct": 0})
        self._unit.port.sleep(2 * VENT_MS / 1000.0)
        self._drives(0.0)

    @contextlib.contextmanager
    def _on(self, pct: int, watched: bool = True) -> Iterator[None]:
        """Vacuum on at a duty, then off."""
        unit = self._unit
        self._tool.calm()
        unit.do("dead_man", DEAD_MAN_MS if watched and self._reader.follows else 0)
        unit.do("strength", pct)
        # The moment of sending: when the unit's own word of it arrives says more about the line.
        self._on_s = unit.port.now()
        unit.do("pick")
        self._drives(pct / 100.0)
        try:
            yield
        finally:
            self._off_s = unit.port.now()
            unit.do("release")
            unit.do("dead_man", 0)

    def _wake(self) -> None:
        """The pump at full idle, its own side evacuated, whatever was before."""
        self._idle(100)
        with self._on(100):
            self._unit.port.sleep(0.5)

    def _kpa(self, sealed: bool, pct: int) -> tuple[float, float]:
        """Steady vacuum at a duty, the pump idling at it before: so a sealed tip comes to its level from below."""
        self._idle(pct)
        with self._on(pct):
            return self._reader.steady(f"the tip {'sealed' if sealed else 'open'} and the pump at {pct} %")

    def _level(self, needle: int, sealed: bool, pct: int) -> Level:
        kpa, error = self._kpa(sealed, pct)
        return Level(needle, sealed, pct / 100.0, kpa, error, self._heat_k)

    # ---- tip open

    def _open(self, needle: int) -> None:
        found = self.found
        self._on_step("Tip open, full strength", 0.02)
        self._wake()
        first = self._level(needle, False, 100)
        if first.kpa - found.rest_kpa < max(LEAST_KPA, 3.0 * found.noise_kpa):
            raise AirquillError(
                f"With the tip open and vacuum on at full strength there are {first.kpa:.1f} kPa: the pump does not "
                "start, the valve does not pull in, or the hose is off. Look at plugs, hose and 12 V, then tune again.",
                1,
            )
        if "supply" in self._tool.capabilities():
            with self._on(100):
                self._unit.port.sleep(0.3)
                volts = self._unit.get("supply.volts")["supply.volts"]
            found.supply_v = float(str(volts)) if volts is not None else RATED_VOLTS
        found.levels.append(first)
        self._running[100] = first.kpa - found.rest_kpa
        self._floor(needle)
        if self._reader.follows and found.runs_pct is not None:
            self._start()
            self._kick()
        self._wake()

    def _floor(self, needle: int) -> None:
        """Down by steps until the pump stalls, then by single percents from the last step at which it ran."""
        found = self.found
        stalls = None
        steps = OPEN_PCT if self._reader.follows else GAUGE_PCT
        for n, pct in enumerate(steps[1:]):
            self._on_step(f"Tip open, {pct} %", 0.05 + 0.25 * n / len(steps))
            if not self._runs_at(needle, pct):
                stalls = pct
                break
        runs = min(self._running)
        if stalls is not None and self._reader.follows:
            self._wake()
            for pct in range(runs - 1, stalls, -1):
                self._on_step(f"Tip open, {pct} %", 0.3)
                if not self._runs_at(needle, pct):
                    stalls = pct
                    break
        found.runs_pct, found.stalls_pct = float(min(self._running)), float(stalls or 0)
        self._wake()

    def _runs_at(self, needle: int, pct: int) -> bool:
        level = self._level(needle, False, pct)
        kpa = level.kpa - self.found.rest_kpa
        if not self._is_running(kpa, self._running[min(self._running)]):
            return False
        self._running[pct] = kpa
        self.found.levels.append(level)
        return True

    def _is_running(self, kpa: float, expected_kpa: float) -> bool:
        return kpa > max(STALLED_SHARE * expected_kpa, LEAST_KPA / 2, 2.0 * self.found.noise_kpa)

    def _expected(self, pct: int) -> float:
        """Vacuum with the tip open at a duty, between those measured."""
        known = sorted(self._running)
        return float(np.interp(pct, known, [self._running[one] for one in known]))

    def _starts_at(self, pct: int) -> bool:
        """Whether the standing pump runs once it is told to at this duty."""
        self._stand()
        self._unit.port.sleep(0.6)  # it turns on for a while
        with self._on(pct):
            kpa, _ = self._reader.steady(f"the tip open and the pump at {pct} %")
        return self._is_running(kpa - self.found.rest_kpa, self._expected(pct))

    def _start(self) -> None:
        """The least duty at which the standing pump starts, by halving."""
        found = self.found
        stays, starts = int(found.stalls_pct or 0), 100
        while starts - stays > 1:
            self._on_step("Start of the pump", 0.42)
            middle = (starts + stays) // 2
            if self._starts_at(middle):
                starts = middle
            else:
                stays = middle
        found.stays_pct, found.starts_pct = float(stays), float(starts)

    def _kick(self) -> None:
        """The shortest kick at full duty after which the pump runs on just above its floor."""
        for kick_ms in KICKS_MS:
            self._on_step(f"Kick of {kick_ms} ms", 0.46)
            self._stand()
            self._unit.set({"pump.kick_ms": kick_ms})
            if self._starts_at(min(int(self.found.runs_pct or 0) + ABOVE_FLOOR_PCT, 100)):
                self.found.kick_ms = kick_ms
                break
        self._stand()
        self._unit.set({"pump.kick_ms": 0})

    # ---- tip sealed

    def _left(self) -> float | None:
        """Share of the vacuum that is left a second after the pump was stopped; None where nothing shows it."""
        if not self._reader.follows:
            return None
        self._wake()
        with self._on(100), self._reader.tape() as deck:
            deck.run(0.8, closely=False)
            before = float(np.mean(deck.tape.kpa[-5:])) - self.found.rest_kpa
            self._unit.do("strength", 0)
            deck.run(LEFT_S, closely=False)
            after = float(np.mean(deck.tape.kpa[-3:])) - self.found.rest_kpa
        self._drives(0.0)
        return max(after, self.found.noise_kpa, 0.02) / max(before, 0.1)

    def _seal(self, needle: int) -> Level:
        """The hands seal the tip, up to three times; returns the level at full duty."""
        open_kpa = next(one.kpa for one in self.found.levels if one.needle == needle and not one.sealed)
        for n in range(SEAL_TRIES):
            self._tool.hands.seal_tip()
            self._on_step("Tip sealed, full strength", 0.6)
            self._wake()
            level = self._level(needle, True, 100)
            left = self._left()
            if left is None or self._open_left is None:
                sealed = level.kpa > open_kpa + 2.0 * level.error_kpa
            else:
                # by how fast vacuum goes with the pump stopped: a leak of the tool's own is in both
                sealed = log(1.0 / left) < SEAL_SHARE * log(1.0 / self._open_left) and level.kpa > 0.9 * open_kpa
            if sealed:
                return level
            self._tell(
                f"The tip is not sealed: {level.kpa:.1f} kPa, with the tip open {open_kpa:.1f} kPa"
                + ("." if left is None else f", and {100 * left:.0f} % left a second after the pump stopped.")
                + (" Once more." if n + 1 < SEAL_TRIES else "")
            )
            self._tool.hands.rest()
        raise AirquillError(
            "The tip was not sealed in three tries, so nothing can be told of pump and leaks. Press it flat on soft "
            "rubber; if it was, the tool leaks more than the needle passes: look at hose, filter and fittings.",
            1,
        )

    def _sealed(self, needle: int) -> None:
        found = self.found
        found.levels.append(self._seal(needle))
        if self._reader.follows:
            for n in range(PULLS):
                self._on_step("Pull-down and vent", 0.66 + 0.05 * n)
                self._pull()
            self._on_step("Decay", 0.82)
            self._decay()
        for n, pct in enumerate(SEALED_PCT):
            if pct >= (found.runs_pct or 0) + ABOVE_FLOOR_PCT:
                self._on_step(f"Tip sealed, {pct} %", 0.88 + 0.03 * n)
                found.levels.append(self._level(needle, True, pct))

    def _keep(self, kind: Kind, tape: Tape, zero_s: float, from_s: float, to_s: float) -> None:
        at_s, kpa = tape.part(zero_s, from_s, to_s)
        if len(at_s) < 5:
            raise AirquillError("The unit said its vacuum too seldom. Its line is busy or noisy; measure again.", 1)
        self.found.recordings.append(Recording(kind, at_s, kpa, self._heat_k))

    def _pull(self) -> None:
        self._wake()
        self._unit.port.sleep(0.6)  # the vent is over, the pump alone
        with self._reader.tape() as deck:
            with self._on(100):
                deck.run(0.4)
                deck.run(PULL_S - 0.4, closely=False)
                deck.run(0.05)  # closely again, so that nothing is missed of the vent
            deck.run(VENT_S)
        self._drives(1.0)
        tape = deck.tape
        self._keep(PULL_DOWN, tape, self._on_s, 0.0, PULL_S)
        self._keep(VENT, tape, self._off_s, 0.0, VENT_S - 0.05)

    def _decay(self) -> None:
        self._wake()
        with self._on(100), self._reader.tape() as deck:
            deck.run(1.2, closely=False)
            zero_s = self._unit.port.now()
            self._unit.do("strength", 0)
            deck.run(DECAY_S, closely=False)
        self._drives(0.0)
        self._keep(DECAY, deck.tape, zero_s, DECAY_FROM_S, DECAY_S)
