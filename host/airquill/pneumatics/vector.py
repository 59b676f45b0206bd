"""Many air paths at once, with numpy: for fitting and for drawing a thousand units.

The model and the integrator are those of `air.Air`, element by element; a test holds the two together to 1e-9 of the
pressure. Not for MicroPython.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from . import flow, pump, valve
from .air import COARSE_PA, COARSE_VENT_PA, FINE_PA, MOST_FINE_STEPS, SAG_SHARE, STANDING_LEAK, Air

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


def _row(values: Sequence[float]) -> Floats:
    return np.array(values, dtype=np.float64)


class AirMany:
    """N air paths, taken over from scalar ones with their present state.

    Inputs are arrays of N (or one number for all): pump_duty, valve_drive, tip_share, supply_volts, ambient_pa.
    Outputs: pen_kpa, line_kpa, pump_kpa, valve_open. The puff valve is left out.
    """

    def __init__(self, airs: Sequence[Air]):
        """Raises ValueError for an empty list."""
        if not airs:
            raise ValueError("give at least one air path")
        n = len(airs)
        self.n = n
        self.pump_duty: Floats | float = _row([a.pump_duty for a in airs])
        self.valve_drive: Floats | float = _row([a.valve_drive for a in airs])
        self.tip_share: Floats | float = _row([a.tip_share for a in airs])
        self.supply_volts: Floats | float = _row([a.supply_volts for a in airs])
        self.ambient_pa: Floats | float = _row([a.ambient_pa for a in airs])
        state = [[a.pen_kpa for a in airs], [a.line_kpa for a in airs], [a.pump_kpa for a in airs]]
        self._vacuum = np.array(state) * 1000.0  # Pa
        self._pressure = np.empty((3, n))
        # rows of a stack: valve to pump, needle, valve to ambient
        self._k = np.array([[a._valve_k for a in airs], [a._tip_k for a in airs], [a._valve_k for a in airs]])
        b = np.array([[a._valve_b for a in airs], [a._tip_b for a in airs], [a._valve_b for a in airs]])
        self._b_scale = 1.0 / (1.0 - b)
        self._b_shift = b * self._b_scale
        self._sag = 1.0 - SAG_SHARE * _row([a.faults["supply_sag"] for a in airs])
        self._leak_g = _row([a._leak_g for a in airs])
        self._tip_r2 = 2.0 * _row([a._tip_r for a in airs])
        self._hose_r = _row([a._hose_r for a in airs])
        self._filter_r = _row([a._filter_r for a in airs])
        self._hose_re = _row([a._hose_re for a in airs])
        self._stretch = _row([a._hose_stretch for a in airs])
        self._turbulent = bool((self._stretch > 1.0).any())
        self._resistance = self._hose_r * self._stretch + self._filter_r
        self._hose_flow = _row([a.hose_flow for a in airs])
        self._volume = np.array([[a.pen_m3 for a in airs], [a.line_m3 for a in airs], [a.pump_m3 for a in airs]])
        self._set_pump([a.pump for a in airs])
        self._set_valve([a.valve for a in airs])
        self._low, self._high, self._work = np.empty((3, n)), np.empty((3, n)), np.zeros((3, n))

    def _set_pump(self, pumps: Sequence[pump.Pump]) -> None:
        self.speed = _row([p.speed for p in pumps])
        self.heat_k = _row([p.heat_k for p in pumps])
        self._start = _row([p.start_duty for p in pumps])
        self._floor = _row([p.floor_duty for p in pumps])
        self._friction = _row([p.friction_duty for p in pumps])
        self._friction_scale = 1.0 / (1.0 - self._friction)
        self._end_share = _row([p.end_share for p in pumps])
        self._pump_g = _row([p.free_flow for p in pumps]) / self._end_share
        self._back_leak = _row([p.leak_share for p in pumps])
        self._curvature = _row([p.curvature for p in pumps])
        self._curved = bool(np.any(self._curvature != 0.0))

    def _set_valve(self, valves: Sequence[valve.Valve]) -> None:
        self._coil = _row([v.coil for v in valves])
        self._energised = np.array([v.energised for v in valves])
        self._travel = _row([v.travel for v in valves])
        self._slow = 1.0 + valve.SLOW_TIMES * _row([v.slow for v in valves])
        self._least = _row([v.stuck_open for v in valves])
        self._most = 1.0 - _row([v.stuck_shut for v in valves])
        self._open_to(_row([v.position for v in valves]))
        self._valve_rests = False
        self._last_drive: Floats | None = None

    def _step_pump(self, drive: Floats, dt_s: float) -> None:
        speed = self.speed
        target = drive - self._friction
        target *= self._friction_scale
        np.clip(target, 0.0, pump.MOST_SPEED, out=target)
        target -= speed
        target *= dt_s / (pump.SPIN_UP_S + dt_s)
        target += speed
        if (drive < self._start).any():
            stalls = drive < np.where(speed < 0.02, self._start, self._floor)
            falling = speed * (pump.SPIN_DOWN_S / (pump.SPIN_DOWN_S + dt_s))
            falling[falling < 1e-6] = 0.0
            np.copyto(target, falling, where=stalls)
        self.speed = target
        heating = drive * drive
        heating *= pump.HEAT_K * dt_s / (pump.HEAT_S + dt_s)
        self.heat_k *= pump.HEAT_S / (pump.HEAT_S + dt_s)
        self.heat_k += heating

    def _step_valve(self, drive: Floats, dt_s: float) -> None:
        if self._valve_rests and self._last_drive is not None and (drive == self._last_drive).all():
            return
        self._last_drive = drive
        coil = self._coil
        coil += (drive - coil) * (dt_s / (valve.COIL_S * self._slow + dt_s))
        self._energised = np.where(self._energised, coil >= valve.DROP_OUT, coil > valve.PULL_IN)
        move = dt_s / (valve.TRAVEL_S * self._slow)
        travel = np.clip(self._travel + np.where(self._energised, move, -move), 0.0, 1.0)
        self._valve_rests = bool((travel == self._travel).all() and (np.abs(drive - coil) < 1e-9).all())
        self._travel = travel
        self._open_to(np.minimum(np.maximum(travel, self._least), self._most))

    def _open_to(self, opened: Floats) -> None:
        self.valve_open = opened
        self._shut = 1.0 - opened
        self._coarse_pa = np.where(opened == 1.0, COARSE_PA, COARSE_VENT_PA)
        self._least_coarse_pa = float(self._coarse_pa.min())
        # what no unit passes is left out of the stack
        all_open, all_shut = bool((opened == 1.0).all()), bool((opened == 0.0).all())
        self._rows = slice(0, 2) if all_open else slice(1, 3) if all_shut else slice(0, 3)

    def _orifices(self, amb: Floats | float, pen: Floats, line: Floats, suck: Floats) -> Floats:
        """Secant conductances of the stack: k phi(r) / (1 - r), r held at LINEAR_RATIO near equal pressures."""
        low, high = self._low, self._high
        np.minimum(line, suck, out=low[0])
        np.minimum(pen, amb, out=low[1])
        np.minimum(line, amb, out=low[2])
        np.maximum(line, suck, out=high[0])
        np.maximum(pen, amb, out=high[1])
        np.maximum(line, amb, out=high[2])
        rows = self._rows
        low, high, work = low[rows], high[rows], self._work[rows]
        np.divide(low, high, out=low)
        np.minimum(low, flow.LINEAR_RATIO, out=low)
        np.multiply(low, self._b_scale[rows], out=work)
        np.subtract(work, self._b_shift[rows], out=work)
        np.maximum(work, 0.0, out=work)
        np.multiply(work, work, out=work)
        np.subtract(1.0, work, out=work)
        np.sqrt(work, out=work)
        np.subtract(1.0, low, out=low)
        np.divide(work, low, out=work)
        np.multiply(work, self._k[rows], out=work)
        work = self._work
        # needle: laminar friction and inertia in one tube, flow.with_friction
        g_tip = work[1]
        friction = self._tip_r2 / (pen + amb)
        np.multiply(g_tip, g_tip, out=g_tip)
        np.divide(4.0, g_tip, out=g_tip)
        g_tip += friction * friction
        np.sqrt(g_tip, out=g_tip)
        g_tip += friction
        np.divide(2.0, g_tip, out=g_tip)
        g_tip *= self.tip_share
        work[0] *= self.valve_open
        work[2] *= self._shut
        return work

    def _hose(self, pen: Floats, line: Floats, active: Flags | None) -> Floats:
        re = np.abs(self._hose_re * self._hose_flow)
        if self._turbulent or re.max() > flow.LAMINAR_RE:
            safe = np.maximum(re, flow.LAMINAR_RE)
            blasius = 0.3164 / safe**0.25
            share = np.minimum((safe - flow.LAMINAR_RE) / (flow.TURBULENT_RE - flow.LAMINAR_RE), 1.0)
            between = (1.0 - share) * 64.0 / flow.LAMINAR_RE + share * 0.3164 / flow.TURBULENT_RE**0.25
            factor = np.where(share < 1.0, between, blasius)
            target = np.where(re > flow.LAMINAR_RE, factor * re / 64.0, 1.0)
            target -= self._stretch
            target *= 0.5
            self._stretch += target if active is None else np.where(active, target, 0.0)
            self._turbulent = bool((self._stretch > 1.0).any())
            self._resistance = self._hose_r * self._stretch + self._filter_r
        g = pen + line
        g *= 0.5
        g /= self._resistance
        return g

    @property
    def pen_kpa(self) -> Floats:
        """Vacuum of the pen, kPa."""
        return np.asarray(self._vacuum[0] * 1e-3)

    @property
    def line_kpa(self) -> Floats:
        """Vacuum of the line between filter and valve, kPa."""
        return np.asarray(self._vacuum[1] * 1e-3)

    @property
    def pump_kpa(self) -> Floats:
        """Vacuum of the pump side, kPa."""
        return np.asarray(self._vacuum[2] * 1e-3)

    def step(self, dt_s: float) -> None:
        """Advance all by dt_s seconds, above 0; see Air.step."""
        amb = self.ambient_pa
        old = np.subtract(amb, self._vacuum, out=self._pressure)
        volts = self._sag * (self.supply_volts / pump.RATED_VOLTS)
        self._step_pump(self.pump_duty * volts, dt_s)
        self._step_valve(self.valve_drive * volts, dt_s)
        turned = self.speed + self._back_leak
        drop = self._end_share * amb * self.speed
        drop /= turned
        end = amb - drop
        turned *= self._pump_g
        turned *= 1.0 - pump.HOT_LOSS_PER_K * self.heat_k

        rate: Floats | float = 1.0 / dt_s
        new = self._solve(amb, old, end, turned, rate, None)
        way = np.subtract(new, old, out=self._low)
        np.abs(way, out=way)
        if way.max() <= self._least_coarse_pa:
            self._hose_flow = self._passed
        else:
            moved = way.max(axis=0)
            coarse = moved > self._coarse_pa
            np.copyto(self._hose_flow, self._passed, where=~coarse)
            # these units take the step again in fine ones, each in its own number
            left = np.where(coarse, np.minimum((moved / FINE_PA).astype(int) + 1, MOST_FINE_STEPS), 0)
            rate = np.maximum(left, 1) / dt_s
            new[:, coarse] = old[:, coarse]
            for taken in range(int(left.max())):
                active = left > taken
                fine = self._solve(amb, new, end, turned, rate, active)
                np.copyto(new, fine, where=active)
        np.subtract(amb, new, out=self._vacuum)

    def _solve(
        self,
        amb: Floats | float,
        old: Floats,
        end: Floats,
        pump_k: Floats,
        rate: Floats | float,
        active: Flags | None,
    ) -> Floats:
        """One implicit step of 1 / rate from the pressures `old`; the hose follows where `active`, or everywhere."""
        pen, line, suck = old
        g_join, g_tip, g_vent = self._orifices(amb, pen, line, suck)
        g_hose = self._hose(pen, line, active)
        # check valves; and a standing pump's end pressure is ambient
        g_pump = pump_k * (suck > end)
        if self._curved:
            g_pump *= 1.0 + self._curvature * np.maximum(amb - suck, 0.0) / np.maximum(amb - end, 1e-9)

        cap = self._volume * rate
        new = old * cap
        pen, line, suck = new  # right-hand sides first, pressures at the end
        g_in = g_tip + self._leak_g
        cap[0] += g_in
        cap[0] += g_hose
        g_in *= amb
        pen += g_in
        cap[2] += g_join
        cap[2] += g_pump
        cap[2] += STANDING_LEAK
        g_pump *= end
        suck += g_pump
        suck += STANDING_LEAK * amb
        cap[1] += g_hose
        cap[1] += g_join
        cap[1] += g_vent
        g_vent *= amb
        line += g_vent
        pen /= cap[0]
        suck /= cap[2]
        line += g_hose * pen
        line += g_join * suck
        to_pen = g_hose / cap[0]
        to_suck = g_join / cap[2]
        cap[1] -= g_hose * to_pen
        cap[1] -= g_join * to_suck
        line /= cap[1]
        to_pen *= line
        pen += to_pen
        to_suck *= line
        suck += to_suck
        g_hose *= pen - line
        self._passed = g_hose
        if active is not None:
            np.copyto(self._hose_flow, g_hose, where=active)
        return new
