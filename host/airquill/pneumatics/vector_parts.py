"""Many pumps, valves, orifices and hoses at once, with numpy: the parts of `vector.AirMany`. Not for MicroPython.

Each part does what its scalar one does; see pump.Pump, valve.Valve and air.Air.step for the physics.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from . import flow, pump, valve
from .air import LINEAR, Air

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

# Rows of what there is one of for each volume; the two that hang on the line come first. An orifice belongs to each:
# the needle to the pen, the valve's way to the pump to the pump side, its way to ambient to the line.
PEN, SUCK, LINE = 0, 1, 2
ENDS = slice(PEN, LINE)
TIP, JOIN, VENT = PEN, SUCK, LINE


def row(values: Sequence[float]) -> Floats:
    """One number for each unit."""
    return np.array(values, dtype=np.float64)


def any_of(flags: Flags) -> bool:
    """Whether one is set; quicker than any() for so few."""
    return bool(np.count_nonzero(flags))


class State:
    """Vacuums in kPa, and what a step reached: the size of their ways, and of the flow through the hose in kPa m3/s."""

    def __init__(self, vacuum: Floats, hose_flow: Floats):
        self.vacuum = vacuum
        self.ends = vacuum[ENDS]
        self.pen, self.suck, self.line = vacuum
        self.reached = np.zeros((4, len(hose_flow)))
        self.ways, self.hose_flow = self.reached[:3], self.reached[3]
        self.hose_flow[:] = hose_flow


class Pumps:
    """Speed and heat, and the flow they give."""

    def __init__(self, pumps: Sequence[pump.Pump]):
        n = len(pumps)
        self._start = row([max(p.start_duty, p.floor_duty) for p in pumps])
        self._floor = row([p.floor_duty for p in pumps])
        self._friction = row([p.friction_duty for p in pumps])
        self._end_share = row([p.end_share for p in pumps])
        self._flow_k = row([p.free_flow for p in pumps]) / self._end_share
        self._leak_share = row([p.leak_share for p in pumps])
        self._curvature = row([p.curvature for p in pumps])
        self._curved = any_of(self._curvature != 0.0)
        self._end_most = self._end_share  # of ambient in kPa, which aim() puts in
        self._turn_to(row([p.speed for p in pumps]), row([p.heat_k for p in pumps]))
        self._draws, self._back, self._shut = np.empty(n), np.empty(n), np.empty(n, dtype=np.bool_)

    @property
    def speed(self) -> Floats:
        """Over rated."""
        return np.asarray(self._turned - self._leak_share)

    @property
    def heat_k(self) -> Floats:
        """Case above ambient, K."""
        return np.asarray((1.0 - self._cool / self._flow_k) / pump.HOT_LOSS_PER_K)

    def _lags(self, speed: Floats, heat_k: Floats | float) -> Floats:
        """What follows speed and heat in straight lines, and so lags behind the inputs as they do.

        The first times the last is the pump's conductance, the second times the last what it draws at no vacuum.
        """
        cool = self._flow_k * (1.0 - pump.HOT_LOSS_PER_K * heat_k)
        return np.array([speed + self._leak_share, speed * self._end_most, cool])

    def _turn_to(self, speed: Floats, heat_k: Floats) -> None:
        self._turning = self._lags(speed, heat_k)
        self._turned, self._drawn, self._cool = self._turning

    def aim(self, drive: Floats, amb: Floats, dt_s: float) -> None:
        """Take a drive, ambient in kPa and the step that holds until the next call."""
        speed, heat_k = self.speed, self.heat_k
        self._end_most = self._end_share * amb
        self._turn_to(speed, heat_k)
        self._drive = drive
        self._may_stall = any_of(drive < self._start)
        self._down = pump.SPIN_DOWN_S / (pump.SPIN_DOWN_S + dt_s)
        up, warm = dt_s / (pump.SPIN_UP_S + dt_s), dt_s / (pump.HEAT_S + dt_s)
        shares = np.repeat([[up], [up], [warm]], len(drive), axis=1)
        target = np.clip((drive - self._friction) / (1.0 - self._friction), 0.0, pump.MOST_SPEED)
        self._keeps = 1.0 - shares
        self._gains = shares * self._lags(target, pump.HEAT_K * drive**2)

    def step(self) -> None:
        """Advance speed and heat."""
        turning = self._turning
        if self._may_stall:
            speed = self.speed
            stalls = self._drive < np.where(speed < 0.02, self._start, self._floor)
            falling = speed * self._down
            falling[falling < 1e-6] = 0.0
        turning *= self._keeps
        turning += self._gains
        if self._may_stall:
            np.copyto(turning[:2], self._lags(falling, 0.0)[:2], where=stalls)

    def flow(self, suck: Floats, raised: bool, g: Floats) -> Floats:
        """Put the conductance to the end vacuum in `g`; return what is drawn. Check valves pass nothing the other way.

        `raised`: a pump side may be above ambient, where a standing pump passes nothing.
        """
        draws, back, shut = self._draws, self._back, self._shut
        np.multiply(self._turned, self._cool, out=g)
        np.multiply(self._drawn, self._cool, out=draws)
        np.multiply(suck, g, out=back)
        np.greater_equal(back, draws, out=shut)
        if raised:
            shut |= draws <= 0.0
        if any_of(shut):
            g[shut] = draws[shut] = 0.0
        if self._curved:
            share = np.maximum(suck, 0.0) * self._turned / np.maximum(self._drawn, 1e-12)
            bulge = 1.0 + self._curvature * share
            g *= bulge
            draws *= bulge
        return draws


class Valves:
    """Coil and plunger. `opened` is 0 (vents) to 1 (pump joined)."""

    def __init__(self, valves: Sequence[valve.Valve]):
        self._coil = row([v.coil for v in valves])
        self._energised = np.array([v.energised for v in valves])
        self._travel = row([v.travel for v in valves])
        self._slow = 1.0 + valve.SLOW_TIMES * row([v.slow for v in valves])
        self._least = row([v.stuck_open for v in valves])
        self._most = 1.0 - row([v.stuck_shut for v in valves])
        self.opened = row([v.position for v in valves])

    def step(self, drive: Floats, dt_s: float) -> bool:
        """Advance under a drive; whether any more of it moves nothing."""
        coil = self._coil
        coil += (drive - coil) * (dt_s / (valve.COIL_S * self._slow + dt_s))
        settled = np.abs(drive - coil) < valve.SETTLED
        np.copyto(coil, drive, where=settled)
        self._energised = np.where(self._energised, coil >= valve.DROP_OUT, coil > valve.PULL_IN)
        move = dt_s / (valve.TRAVEL_S * self._slow)
        travel = np.clip(self._travel + np.where(self._energised, move, -move), 0.0, 1.0)
        rests = bool(settled.all() and (travel == self._travel).all())
        self._travel = travel
        self.opened = np.minimum(np.maximum(travel, self._least), self._most)
        return rests


class Orifices:
    """Needle, and both ways of the valve: rows TIP, JOIN and VENT."""

    def __init__(self, tip: Floats, valve_u: Floats, valve_k: Floats, conductances: Sequence[Floats]):
        """`tip` has rows for u, k and r of the needle, the others are the valve's: see Air.refresh.

        Conductances of all three are put in place.
        """
        n = len(valve_u)
        tip_u, self._tip_k, self._tip_r = tip
        self._valve_k = valve_k
        self._u2 = 2.0 * np.array([tip_u, valve_u, valve_u])
        self._g_tip, self._g_join, self._g_vent = conductances
        self._one, self._linear = np.ones((3, n)), np.full((3, n), LINEAR)
        # vacuum beyond, higher pressure, least drop, and what is computed of them
        self._beyond, self._high, self._least, self._w = np.zeros((3, n)), *np.empty((3, 3, n))
        self._w_tip, self._w_join, self._w_vent = self._w
        self._beyond_join = self._beyond[JOIN]
        self._friction, self._square = np.empty(n), np.empty(n)

    def choose(self, tip_share: Floats, opened: Floats, amb: Floats) -> None:
        """Take openings and ambient in kPa that hold until the next call; what passes nothing anywhere is left out."""
        self._tip_2 = 2.0 * tip_share
        self._join_k, self._vent_k = self._valve_k * opened, self._valve_k * (1.0 - opened)
        self._amb_2 = 2.0 * amb
        self._tips, self._joins, self._vents = any_of(tip_share > 0.0), any_of(opened > 0.0), any_of(opened < 1.0)
        used = [n for n, passes in ((TIP, self._tips), (JOIN, self._joins), (VENT, self._vents)) if passes]
        rows = self._rows = slice(used[0], used[-1] + 1, used[-1] - used[0] if len(used) == 2 else 1)
        constants = (np.array([amb] * 3), self._one, self._linear, self._u2)
        self._used = [one[rows] for one in (*constants, self._beyond, self._high, self._least, self._w)]
        for g in (self._g_tip, self._g_join, self._g_vent):
            g[:] = 0.0

    def flow(self, now: State) -> None:
        """Put conductances in place."""
        amb, one, linear, u2, beyond, high, least, w = self._used
        here = now.vacuum[self._rows]
        np.copyto(self._beyond_join, now.line)
        np.minimum(here, beyond, out=high)
        np.subtract(amb, high, out=high)
        np.subtract(here, beyond, out=w)
        np.abs(w, out=w)
        np.multiply(high, linear, out=least)
        np.maximum(w, least, out=w)
        np.divide(high, w, out=w)
        w *= u2
        # w is 2 u now. Next it is the square of the conductance over that at u = 1
        w -= one
        choked = w < one
        if any_of(choked):
            u = 0.5 * w + 0.5
            np.multiply(u, u, out=w, where=choked)
        if self._joins:
            np.sqrt(self._w_join, out=self._g_join)
            self._g_join *= self._join_k
        if self._vents:
            np.sqrt(self._w_vent, out=self._g_vent)
            self._g_vent *= self._vent_k
        if self._tips:
            # laminar friction and inertia in one tube, flow.with_friction
            g, friction, square = self._g_tip, self._friction, self._square
            np.divide(self._tip_k, self._w_tip, out=g)
            np.subtract(self._amb_2, now.pen, out=friction)
            np.divide(self._tip_r, friction, out=friction)
            np.multiply(friction, friction, out=square)
            g += square
            np.sqrt(g, out=g)
            g += friction
            np.divide(self._tip_2, g, out=g)


class Hoses:
    """Hose and filter: resistance over its laminar value, which follows the Reynolds number above 2300."""

    def __init__(self, airs: Sequence[Air], g: Floats):
        """The conductance is put in `g`."""
        self._laminar_r = row([a._hose_r for a in airs])
        self._filter_r = row([a._filter_r for a in airs])
        self._re = 1e3 * row([a._hose_re for a in airs])
        self._stretch = row([a._hose_stretch for a in airs])
        self._k = row([a._hose_k for a in airs])
        self._g = g
        self.most_laminar = flow.LAMINAR_RE / self._re  # kPa m3/s
        self.stretched = any_of(self._stretch > 1.0)

    def turbulent(self, passing: Floats) -> bool:
        """Whether, at the flow of the last step, one is no longer laminar, or was not and still settles."""
        return self.stretched or any_of(passing > self.most_laminar)

    def stretch(self, passing: Floats, active: Flags | None) -> None:
        """Let the resistance follow a flow in kPa m3/s where `active`, or everywhere; see Air._stretch_hose."""
        re = self._re * passing
        safe = np.maximum(re, flow.LAMINAR_RE)
        blasius = 0.3164 / safe**0.25
        share = np.minimum((safe - flow.LAMINAR_RE) / (flow.TURBULENT_RE - flow.LAMINAR_RE), 1.0)
        between = (1.0 - share) * 64.0 / flow.LAMINAR_RE + share * 0.3164 / flow.TURBULENT_RE**0.25
        factor = np.where(share < 1.0, between, blasius)
        target = np.where(re > flow.LAMINAR_RE, factor * re / 64.0, 1.0)
        target -= self._stretch
        target *= 0.5
        self._stretch += target if active is None else np.where(active, target, 0.0)
        self.stretched = any_of(self._stretch > 1.0)
        self._k = 500.0 / (self._laminar_r * self._stretch + self._filter_r)

    def flow(self, now: State, amb_2: Floats) -> None:
        """Put the conductance in place; `amb_2`: twice ambient, kPa."""
        g = self._g
        np.add(now.pen, now.line, out=g)
        np.subtract(amb_2, g, out=g)
        g *= self._k
