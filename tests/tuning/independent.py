"""A tool's air as differential equations, solved by scipy 1.17: what tuning measures of it, with noise.

Flow laws as published: ISO 6358-1 (valve, needle's inertia), Hagen-Poiseuille (needle, hose, filter), Blasius with
Darcy's factor (hose above Re 2300), ideal gas at one temperature. Nothing here calls the integrator that the fit uses.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi, sqrt

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import root

from airquill.pneumatics.air import STANDING_LEAK
from airquill.pneumatics.measured import HOSE_BORE_MM, HOSE_LENGTH_MM
from airquill.pneumatics.needles import NEEDLE_B, Needle
from airquill.pneumatics.pump import BACK_LEAK
from airquill.tuning.fit import fit
from airquill.twin.measurement import DECAY, KINDS, PULL_DOWN, VENT, Level, Measurement, Recording
from airquill.twin.parameters import parameters_for

AMB = 101325.0
COIL_S, PULL_IN, DROP_OUT, TRAVEL_S = 0.008, 0.29, 0.104, 0.002
SPIN_DOWN_S = 0.12
HOLD = 0.5  # share of full drive that holds the valve
VISCOSITY = 1.458e-6 * 293.15**1.5 / (293.15 + 110.4)  # Sutherland, ISO 2533
CHOKED = 1e5  # Pa of reference air times C: throughput over upstream pressure at 20 C
SEALED_DUTIES = (1.0, 0.85, 0.7, 0.55, 0.45)
ON_S, OFF_S = COIL_S * log(1.0 / (1.0 - PULL_IN)), COIL_S * log(HOLD / DROP_OUT)
NEEDLES = (20, 22)
MOST = {"end_kpa": 90.0}  # what diaphragm pumps reach; from memory
OPEN_DUTIES = (1.0, 0.85, 0.7, 0.6, 0.5, 0.4)


def _iso(c: float, b: float, one: float, two: float) -> float:
    """ISO 6358-1, throughput from pressure `one` to `two`; a straight line within 0.1 % of equal ones."""
    if one < two:
        return -_iso(c, b, two, one)
    ratio = two / one
    if ratio <= b:
        return CHOKED * c * one
    if ratio > 0.999:
        x = (0.999 - b) / (1.0 - b)
        return CHOKED * c * one * sqrt(1.0 - x * x) * (1.0 - ratio) / 0.001
    x = (ratio - b) / (1.0 - b)
    return CHOKED * c * one * sqrt(1.0 - x * x)


def _hose_table(filter_r: float) -> tuple[np.ndarray, np.ndarray]:
    """Half the difference of squared pressures over throughput."""
    laminar = 128.0 * VISCOSITY * HOSE_LENGTH_MM * 1e-3 / (pi * (HOSE_BORE_MM * 1e-3) ** 4)
    flows = np.concatenate(([0.0], np.geomspace(1e-4, 3e3, 6000)))
    mass = flows / (287.05287 * 293.15)
    re = np.maximum(4.0 * mass / (pi * HOSE_BORE_MM * 1e-3 * VISCOSITY), 1e-9)
    between = np.interp(re, [2300.0, 4000.0], [64.0 / 2300.0, 0.3164 / 4000.0**0.25])
    darcy = np.where(re <= 2300.0, 64.0 / re, np.where(re >= 4000.0, 0.3164 / re**0.25, between))
    return flows * (laminar * darcy * re / 64.0 + filter_r), flows


class Tool:
    """One tool of these true parameters (names of twin/parameters.py)."""

    def __init__(self, true: dict[str, float]):
        self.true = true
        self.volumes = [true[name] * 1e-6 for name in ("pen_ml", "line_ml", "pump_ml")]
        self.leak = true["leak_ml_s"] * 1e-6
        self.valve = true["valve_c"] * 1e-8
        self.squares, self.flows = _hose_table(true["filter_kpa"] * 1e3 * 12e3)

    def speed(self, duty: float) -> float:
        friction = self.true["friction_pct"] / 100.0
        return max((duty - friction) / (1.0 - friction), 0.0)

    def pump(self, suck: float, speed: float) -> float:
        """(p - end) over (ambient - end), bulging, times free flow; the end falls by the back leak at low speed."""
        if speed <= 0.0:
            return 0.0
        true = self.true
        drop = true["end_kpa"] * 1e3 * (1.0 + BACK_LEAK) / (1.0 + BACK_LEAK / speed)
        share = (AMB - suck) / drop  # of the end vacuum
        if share >= 1.0:
            return 0.0
        bulge = 1.0 + true["curvature"] * max(share, 0.0)
        return AMB * true["free_flow_lpm"] / 60e3 * speed * (1.0 - share) * bulge

    def tip(self, pen: float, needle: Needle | None, share: float) -> float:
        if needle is None:
            return 0.0
        drop = AMB - pen
        if drop < 1e-6:
            return 0.0
        inertia = _iso(needle.c_inertia * share, NEEDLE_B, AMB, pen)
        laminar = 0.5 * (AMB**2 - pen**2) * share / needle.resistance
        # losses add: w / laminar + (w / inertia)^2 = 1
        return inertia * (sqrt(1.0 + (0.5 * inertia / laminar) ** 2) - 0.5 * inertia / laminar)

    def slope(self, p: np.ndarray, opened: float, speed: float, needle: Needle | None, share: float) -> list[float]:
        pen, line, suck = p
        inflow = self.tip(pen, needle, share) + self.leak * (AMB - pen)
        squares = 0.5 * (pen * pen - line * line)
        hose = float(np.interp(abs(squares), self.squares, self.flows)) * (1.0 if squares >= 0.0 else -1.0)
        join = _iso(self.valve * opened, 0.35, line, suck) if opened > 0.0 else 0.0
        vent = _iso(self.valve * (1.0 - opened), 0.35, AMB, line) if opened < 1.0 else 0.0
        out = self.pump(suck, speed) - STANDING_LEAK * (AMB - suck)
        return [
            (inflow - hose) / self.volumes[0],
            (hose + vent - join) / self.volumes[1],
            (join - out) / self.volumes[2],
        ]

    def level(self, gauge: int, sealed: bool, duty: float, heat_k: float = 0.0) -> np.ndarray:
        """Steady absolute pressures."""
        needle = None if sealed else Needle(gauge)
        share = 1.0 if sealed else self.true[f"needle_{gauge}"]
        speed = self.speed(duty)
        # from ambient: from above its end the pump's check valves would keep a sealed tip where it is
        start = np.array([AMB, AMB, AMB])
        run = solve_ivp(
            lambda _t, p: self.slope(p, 1.0, speed, needle, share), (0.0, 60.0), start, "LSODA", rtol=1e-6, atol=1.0
        )
        found = root(lambda p: np.array(self.slope(p, 1.0, speed, needle, share)) * 1e-3, run.y[:, -1], tol=1e-10)
        return np.asarray(found.x if np.abs(found.x - run.y[:, -1]).max() < 50.0 else run.y[:, -1])

    def record(self, kind: str, at_s: np.ndarray) -> np.ndarray:
        """True vacuum of the pen behind the sensor's lag, kPa, at times after the command."""
        full = self.speed(1.0)
        start = self.level(22, True, 1.0)
        if kind == PULL_DOWN:
            own = AMB - 1e3 * self.true["end_kpa"] * (1.0 + BACK_LEAK) / (1.0 + BACK_LEAK / full)
            start = np.array([AMB, AMB, own])

        def opened(t: float) -> float:
            if kind == PULL_DOWN:
                return float(np.clip((t - ON_S) / TRAVEL_S, 0.0, 1.0))
            return float(1.0 - np.clip((t - OFF_S) / TRAVEL_S, 0.0, 1.0)) if kind == VENT else 1.0

        def speed(t: float) -> float:
            return full * float(np.exp(-t / SPIN_DOWN_S)) if kind == DECAY else full if kind == PULL_DOWN else 0.0

        lag_s = self.true["lag_ms"] / 1e3

        def slope(t: float, y: np.ndarray) -> list[float]:
            return [*self.slope(y[:3], opened(t), speed(t), None, 0.0), (y[0] - y[3]) / lag_s]

        times, place = np.unique(np.maximum(at_s, 0.0), return_inverse=True)
        run = solve_ivp(
            slope, (0.0, float(times[-1]) + 1e-9), [*start, start[0]], "LSODA",
            t_eval=times, rtol=1e-6, atol=0.5, max_step=0.02 if kind != DECAY else 0.2,
        )  # fmt: skip
        return np.asarray(((AMB - run.y[3]) * 1e-3)[place])


def measure(
    true: dict[str, float], rng: np.random.Generator, needles: tuple[int, ...], noise_kpa: float, repeats: int = 3
) -> Measurement:
    """What a sensor of that noise shows of the tool: samples every 10 ms, each up to 4 ms old, as a unit sends them."""
    tool = Tool(true)
    zero = true["zero_kpa"]
    found = Measurement("sensor", noise_kpa, rest_kpa=zero + rng.normal(0, noise_kpa / 7), rest_error_kpa=noise_kpa / 7)
    error = noise_kpa / sqrt(12)
    for duty in SEALED_DUTIES:
        kpa = (AMB - tool.level(needles[0], True, duty)[0]) / 1e3
        found.levels.append(Level(needles[0], True, duty, kpa + zero + rng.normal(0, error), error))
    for gauge in needles:
        for duty in OPEN_DUTIES:
            kpa = (AMB - tool.level(gauge, False, duty)[0]) / 1e3
            found.levels.append(Level(gauge, False, duty, kpa + zero + rng.normal(0, error), error))
    plans = [(PULL_DOWN, np.arange(0.0, 1.2, 0.01))] * repeats + [(VENT, np.arange(0.0, 0.4, 0.01))] * repeats
    plans.append((DECAY, np.arange(0.3, 4.0, 0.04)))
    for kind in KINDS:
        grids = [grid + rng.uniform(0, 0.01) for which, grid in plans if which == kind]
        ages = [rng.uniform(0.0, 0.004, len(grid)) for grid in grids]
        kpa = tool.record(kind, np.concatenate([grid - age for grid, age in zip(grids, ages, strict=True)]))
        at = 0
        for grid in grids:
            seen = kpa[at : at + len(grid)] + zero + rng.normal(0, noise_kpa, len(grid))
            at += len(grid)
            found.recordings.append(Recording(kind, tuple(grid), tuple(seen)))
    return found


@dataclass(frozen=True)
class Held:
    """Of one run: for each parameter whether its interval holds the truth, and whether it was told."""

    inside: dict[str, bool]
    told: dict[str, bool]
    fits: bool
    chi2_share: float


def drawn(rng: np.random.Generator) -> dict[str, float]:
    """A tool as tools differ, of sizes that can be. The valve's delays are what `record` gives it."""
    true = {}
    for one in parameters_for(NEEDLES):
        while True:
            value = one.outer(one.inner(one.usual) + one.spread * rng.normal())
            if one.low < value < one.high and value < MOST.get(one.name, one.high):
                break
        true[one.name] = value
    true["on_ms"] = 1e3 * ON_S
    true["off_ms"] = 1e3 * OFF_S
    return true


def held(seed: int, noise_kpa: float = 0.1) -> Held:
    """Draw a tool, solve it, fit it."""
    rng = np.random.default_rng(seed)
    true = drawn(rng)
    found = fit(measure(true, rng, NEEDLES, noise_kpa))
    inside = {name: one.low <= true[name] <= one.high for name, one in found.estimates.items()}
    return Held(inside, {name: one.told for name, one in found.estimates.items()}, found.fits, found.chi2_share)
