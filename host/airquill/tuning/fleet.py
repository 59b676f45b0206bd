"""Many computed units through the checkup's picks at once: physics and sensor alone, no firmware.

Pump and valve are driven as the firmware drives them (device/airquill_device/pump.py and valve.py, factory settings),
the sensor is sampled, filtered and streamed as it does; a test holds the figures against those of whole virtual units.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from airquill.pneumatics.air import Air
from airquill.pneumatics.sensor import DRIFT_KPA, NOISE_KPA, NOISY_KPA
from airquill.pneumatics.vector import AirMany
from airquill.report.trace import EVERY_MS, Trace
from airquill.tuning.sequence import AFTER_S, IDLE_PCT, PICK_S, SEQUENCE, WARM_S, Pick, figures_of
from airquill.tuning.tool import CALM_S, LEVEL_MS, RISE_S

Floats = npt.NDArray[np.float64]

SAMPLE_S = 0.004  # the firmware takes a sample every fourth pass
FILTER_S = 0.010
ZERO_CODE = 3277
SPAN_KPA = 108.8
LAG_S = 0.001
RAMP_S = 0.150
KICK_S = 0.200
PEAK_S = 0.050
HOLD = 0.5
VENT_S = 0.150
LATE_S = 0.002  # from a switched output until the host has read that it was
JITTER_S = 0.0007
LOW_CODE = 328
OUT_SAMPLES = 25  # in a row: 100 ms
SUPPLY_LOW_V = 10.0
_CLOSE_S = 0.1
_RISE_PHASE_S = 0.007
_FALL_PHASE_S = 0.001
_IDLE_S = CALM_S + AFTER_S
_FINE_S = 0.25  # after a change of the outputs in steps of 1 ms, then one step a sample
_LONG_S = 0.016


@dataclass
class Computed:
    """One unit to be computed: its air with what is wrong with it, its sensor, how well its tip is closed each time."""

    air: Air
    zero_kpa: float = 0.0
    span: float = 1.0
    drift: float = 0.0
    dead: float = 0.0
    noisy: float = 0.0
    open_shares: tuple[float, float] = (0.0, 0.0)
    """Share of the needle left open when the tip is closed, the first and the second time."""
    noise_kpa: float = NOISE_KPA


@dataclass
class Found:
    """Figures of one computed unit, and the word of the fault that stops it."""

    figures: dict[str, float | None] = field(default_factory=dict)
    stopped_by: str = ""


def checkups(
    units: Sequence[Computed],
    at_sea_level: float,
    seed: int,
    on_share: Callable[[float], None] = lambda _share: None,
    together: Callable[[Sequence[Air]], AirMany] = AirMany,
) -> list[Found]:
    """The checkup's air, sensor and supply figures of each unit. The units' air is left as it was. `on_share` is told
    how far it is, 0 to 1; `together` makes of all air paths one that can be stepped."""
    run = _Run(units, together, np.random.default_rng(seed))
    rest, noise, dead = run.rest()
    traces: list[dict[str, Trace]] = [{} for _ in units]
    sealed_before: bool | None = None
    for number, pick in enumerate(SEQUENCE):
        on_share(number / len(SEQUENCE))
        if pick.sealed != sealed_before:
            run.hands(pick.sealed)
            run.warm()
        sealed_before = pick.sealed
        for made, trace in zip(traces, run.pick(pick), strict=True):
            made[pick.name] = trace
    volts = run.volts()
    found = []
    for number in range(len(units)):
        one = Found(stopped_by="sensor_range" if dead[number] else "supply_low" if run.low[number] else "")
        one.figures = {"supply_v": volts[number], "supply_on_v": volts[number]}
        if not one.stopped_by:
            one.figures |= figures_of(traces[number], at_sea_level)
            one.figures |= {"rest_kpa": rest[number] * at_sea_level, "noise_kpa": noise[number]}
        found.append(one)
    return found


class _Run:
    def __init__(
        self, units: Sequence[Computed], together: Callable[[Sequence[Air]], AirMany], draw: np.random.Generator
    ) -> None:
        self._n = len(units)
        self._draw = draw
        self._air = together([unit.air for unit in units])
        self._shares = np.array([unit.open_shares for unit in units])
        self._sealings = 0
        drift = np.array([unit.drift * DRIFT_KPA + unit.zero_kpa for unit in units])
        self._offset = drift
        self._span = np.array([unit.span for unit in units])
        self._alive = 1.0 - np.array([unit.dead for unit in units])
        self._sigma = np.array([unit.noise_kpa + NOISY_KPA * unit.noisy for unit in units])
        self._volts = np.array([unit.air.supply_now for unit in units])
        self.low = self._volts < SUPPLY_LOW_V
        self._lagged = np.zeros(self._n)
        self._filtered = np.zeros(self._n)
        self._pump = 0.0

    # ---- the sensor

    def _codes(self) -> Floats:
        shown = self._lagged * self._span + self._offset + self._sigma * self._draw.standard_normal(self._n)
        codes = np.clip((ZERO_CODE + shown / SPAN_KPA * 65536.0) * self._alive, 0.0, 65535.0).astype(np.int64)
        return np.asarray(codes >> 4 << 4 | codes >> 12, dtype=np.float64)

    def _sample(self) -> Floats:
        """One conversion: codes; the filtered vacuum follows."""
        codes = self._codes()
        kpa = (codes - ZERO_CODE) / 65536.0 * SPAN_KPA
        self._filtered += (kpa - self._filtered) * (SAMPLE_S / (FILTER_S + SAMPLE_S))
        return codes

    def rest(self) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
        """At ambient with the pump still: mean, standard deviation, and who is stopped for a dead sensor."""
        codes = []
        for _ in range(20):
            self._sample()
        for _ in range(round(1.0 / SAMPLE_S)):
            codes.append(self._sample())
        table = np.array(codes)
        kpa = (table - ZERO_CODE) / 65536.0 * SPAN_KPA
        below = (table < LOW_CODE).astype(np.int64)
        run = np.cumsum(np.vstack([np.zeros((1, self._n), dtype=np.int64), below]), axis=0)
        dead = ((run[OUT_SAMPLES:] - run[:-OUT_SAMPLES]) == OUT_SAMPLES).any(axis=0)
        return kpa.mean(axis=0), np.round(kpa.std(axis=0), 2), dead

    def volts(self) -> list[float]:
        """The unit's readings of its supply: each to 10 mV with 5 mV of noise, the mean of four."""
        noise = self._draw.standard_normal((4, self._n)) * 0.005
        return [float(volts) for volts in np.round(self._volts + noise, 2).mean(axis=0)]

    # ---- hands and outputs

    def hands(self, sealed: bool) -> None:
        """Close the tip, each time anew, or leave it free."""
        self._air.tip_share = self._shares[:, self._sealings] if sealed else np.ones(self._n)
        self._sealings += sealed

    def warm(self) -> None:
        """The short pick after each work of the hands, from a standing pump."""
        self._advance(0.0, PEAK_S, 1.0, 1.0)
        self._advance(PEAK_S, WARM_S, 1.0, HOLD)
        self._pump = 1.0
        self._idle()

    def _idle(self) -> None:
        """Valve off, pump down to idling, until all is at rest."""
        target = IDLE_PCT / 100
        begun = self._pump
        self._vent()
        if begun > 0.0:
            self._pump = target

    def _vent(self) -> None:
        begun, at = self._pump, 0.0
        while at < _IDLE_S:
            step_s = 0.001 if at < 0.08 else _LONG_S
            at += step_s
            self._step(self._down(begun, at), 0.0, step_s)

    @staticmethod
    def _down(begun: float, at: float) -> float:
        return 0.0 if begun == 0.0 else max(IDLE_PCT / 100, begun - at / RAMP_S)

    def _advance(self, from_s: float, to_s: float, pump: float, valve: float) -> None:
        at = from_s
        while at < to_s - 1e-9:
            step_s = min(SAMPLE_S, to_s - at)
            self._step(pump, valve, step_s)
            at += step_s

    def _step(self, pump: float, valve: float, step_s: float) -> None:
        self._air.pump_duty = np.full(self._n, pump)
        self._air.valve_drive = np.full(self._n, valve)
        self._air.step(step_s)
        self._lagged += (self._air.pen_kpa - self._lagged) * (step_s / (LAG_S + step_s))

    # ---- picks

    def pick(self, pick: Pick) -> list[Trace]:
        """One pick with what follows it, as traces."""
        begun = self._pump
        goal = pick.strength_pct / 100
        rows: list[Floats] = []
        off_s = pick.seconds
        for tick in range(round((off_s + AFTER_S) / SAMPLE_S) + 3):
            start = tick * SAMPLE_S
            changed = min(abs(start - edge) if start >= edge - 1e-9 else 1e9 for edge in (0.0, PICK_S, off_s))
            steps = 4 if changed < _FINE_S else 1
            for part in range(steps):
                now = start + (part + 1) * SAMPLE_S / steps
                self._step(self._pump_at(pick, begun, goal, now), self._valve_at(off_s, now), SAMPLE_S / steps)
            self._sample()
            rows.append(np.round(self._filtered, 2))
        self._pump = 0.0 if pick.decays else IDLE_PCT / 100
        for _ in range(round(CALM_S / _LONG_S)):
            self._step(self._pump, 0.0, _LONG_S)
        return self._streamed(np.array(rows), off_s)

    def _streamed(self, rows: Floats, off_s: float) -> list[Trace]:
        """What the host sees of the samples `rows`. Where in its interval a stream begins follows from the requests
        between it and the pick; the sensor's own samples fall anywhere, and lines are read a little early or late."""
        every_s = EVERY_MS / 1000
        close_s = off_s - _CLOSE_S
        rise = np.arange(_RISE_PHASE_S, close_s, every_s)
        rise = rise[(rise < RISE_S) | (np.arange(len(rise)) % (LEVEL_MS // EVERY_MS) == 0)]
        times = np.concatenate([rise, np.arange(close_s + _FALL_PHASE_S, off_s + AFTER_S, every_s)])
        sampled = times[:, None] + SAMPLE_S * self._draw.random(self._n)
        taken = np.clip((sampled / SAMPLE_S).astype(np.int64) - 1, 0, len(rows) - 1)
        kpa = np.take_along_axis(rows, taken, axis=0)
        kpa[sampled < SAMPLE_S] = 0.0
        on, off = LATE_S + JITTER_S * self._draw.standard_normal((2, self._n))
        at_s = times[:, None] - on
        gone_s = off_s + off - on
        return [
            Trace(at, column, [(0.0, "picking"), (gone, "releasing"), (gone + VENT_S, "idle")])
            for at, column, gone in zip(at_s.T.tolist(), kpa.T.tolist(), gone_s.tolist(), strict=True)
        ]

    @staticmethod
    def _pump_at(pick: Pick, begun: float, goal: float, now: float) -> float:
        if pick.decays and now > PICK_S:
            return 0.0
        if now > pick.seconds:
            return max(IDLE_PCT / 100, goal - (now - pick.seconds) / RAMP_S)
        return min(goal, begun + now / RAMP_S)

    @staticmethod
    def _valve_at(off_s: float, now: float) -> float:
        return 0.0 if now > off_s else 1.0 if now <= PEAK_S else HOLD
