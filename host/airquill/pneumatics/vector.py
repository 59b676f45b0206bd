"""Many air paths at once, with numpy: for fitting and for drawing a thousand units.

The model and the integrator are those of `air.Air`, element by element; a test holds the two together to 1e-7 kPa. Not
for MicroPython. With a thousand units the calls of numpy take longer than the arithmetic, most of all those that
broadcast or skip rows. So like elements are neighbouring rows of one array, work is done in place through views made
once, what only inputs change is kept until they change, and what no unit needs (a choked orifice, a sealed needle, a
vent, a stall, turbulence) is left out.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from . import flow, pump, valve
from .air import COARSE_KPA, COARSE_VENT_KPA, FINE_KPA, LINEAR, MOST_FINE_STEPS, STANDING_LEAK, Air

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

# Rows of what there is one of for each volume; the two that hang on the line come first. An orifice belongs to each:
# the needle to the pen, the valve's way to the pump to the pump side, its way to ambient to the line.
PEN, SUCK, LINE = 0, 1, 2
ENDS = slice(PEN, LINE)
TIP, JOIN, VENT = PEN, SUCK, LINE


def _row(values: Sequence[float]) -> Floats:
    return np.array(values, dtype=np.float64)


def _any(flags: Flags) -> bool:
    """Whether one is set; quicker than any() for so few."""
    return bool(np.count_nonzero(flags))


class _State:
    """Vacuums in kPa, and what a step reached: the size of their ways, and of the flow through the hose in kPa m3/s."""

    def __init__(self, vacuum: Floats, hose_flow: Floats):
        self.vacuum = vacuum
        self.ends = vacuum[ENDS]
        self.pen, self.suck, self.line = vacuum
        self.reached = np.zeros((4, len(hose_flow)))
        self.ways, self.hose_flow = self.reached[:3], self.reached[3]
        self.hose_flow[:] = hose_flow


class _Input:
    """An input of all units. What is set, an array of N or one number for all, is copied; what is read is read-only."""

    def __set_name__(self, _owner: type, name: str) -> None:
        self._name = "_" + name

    def __get__(self, many: "AirMany", _owner: type) -> Floats:
        return np.asarray(many.__dict__[self._name])

    def __set__(self, many: "AirMany", value: Floats | float) -> None:
        row = np.array(np.broadcast_to(value, many.n), dtype=np.float64)
        row.setflags(write=False)
        many.__dict__[self._name] = row
        many._known_dt_s = 0.0


class AirMany:
    """N air paths, taken over from scalar ones with their present state.

    Inputs: pump_duty, valve_drive, tip_share, supply_volts, ambient_pa; set them as wholes. Outputs: pen_kpa, line_kpa,
    pump_kpa, valve_open, speed, heat_k. The puff valve is left out.
    """

    pump_duty = _Input()
    valve_drive = _Input()
    tip_share = _Input()
    supply_volts = _Input()
    ambient_pa = _Input()

    def __init__(self, airs: Sequence[Air]):
        """Raises ValueError for an empty list."""
        if not airs:
            raise ValueError("give at least one air path")
        n = len(airs)
        self.n = n
        self._known_dt_s = 0.0  # the step that _take_inputs was done for; 0 when an input is new
        self.pump_duty = _row([a.pump_duty for a in airs])
        self.valve_drive = _row([a.valve_drive for a in airs])
        self.tip_share = _row([a.tip_share for a in airs])
        self.supply_volts = _row([a.supply_volts for a in airs])
        self.ambient_pa = _row([a.ambient_pa for a in airs])
        vacuum = np.array([[a.pen_kpa for a in airs], [a.pump_kpa for a in airs], [a.line_kpa for a in airs]])
        self._now = _State(vacuum, np.abs([1e-3 * a.hose_flow for a in airs]))
        # nothing here lifts a pressure above ambient, but a scalar one may have been puffing
        self._raised = bool((vacuum < 0.0).any())
        self._next, self._fine = (_State(np.zeros((3, n)), np.zeros(n)) for _ in range(2))
        self._volt_share = _row([a._volt_share for a in airs])
        constants = np.array([a._constants for a in airs]).T.copy()
        tip_u, self._tip_k, self._tip_r, leak_g, valve_u, self._valve_k, hose_limit, pen_m3, line_m3, pump_m3 = (
            constants
        )
        self._orifice_w = 2.0 * np.array([tip_u, valve_u, valve_u])
        self._volume = np.array([pen_m3, pump_m3, line_m3])
        self._drains = np.array([leak_g, np.full(n, STANDING_LEAK), np.zeros(n)])
        self._hose_r = _row([a._hose_r for a in airs])
        self._filter_r = _row([a._filter_r for a in airs])
        self._hose_re = _row([a._hose_re for a in airs])
        self._stretch = _row([a._hose_stretch for a in airs])
        self._hose_k = _row([a._hose_k for a in airs])
        # what a step may reach: the coarsest ways, and the flow from which a hose is not laminar
        self._limits = np.array([np.zeros(n), np.zeros(n), np.zeros(n), 1e-3 * hose_limit])
        self._stretched = _any(self._stretch > 1.0)
        self._turbulent = self._stretched or _any(self._now.hose_flow > self._limits[3])
        # conductances: of pen and line to ambient and of the pump side to its end vacuum; of the first two to the line
        self._outer, self._between = np.zeros((3, n)), np.zeros((2, n))
        self._g_tip, self._g_pump, self._g_vent = self._outer
        self._g_hose, self._g_join = self._between
        # the system to solve: what each volume has on its own, and right-hand sides
        self._left, self._right = np.empty((3, n)), np.empty((3, n))
        self._left_ends, self._right_ends = self._left[ENDS], self._right[ENDS]
        self._left_pen, self._left_suck, self._left_line = self._left
        self._right_pen, self._right_suck, self._right_line = self._right
        self._by, self._share, self._product = np.empty((2, n)), np.empty((2, n)), np.empty((2, n))
        self._pen_share, self._suck_share = self._share
        self._pen_product, self._suck_product = self._product
        # of the orifices: constants, vacuum beyond, pressure above, drop, and what is computed of it
        self._one, self._linear = np.ones((3, n)), np.full((3, n), LINEAR)
        self._beyond, self._high, self._nearest, self._w = np.zeros((3, n)), *np.empty((3, 3, n))
        self._w_tip, self._w_join, self._w_vent = self._w
        self._beyond_join = self._beyond[JOIN]
        self._a, self._b, self._flags = np.empty(n), np.empty(n), np.empty(n, dtype=np.bool_)
        self._set_pump([a.pump for a in airs])
        self._set_valve([a.valve for a in airs])

    def _set_pump(self, pumps: Sequence[pump.Pump]) -> None:
        self._start = _row([max(p.start_duty, p.floor_duty) for p in pumps])
        self._floor = _row([p.floor_duty for p in pumps])
        self._dry = _row([p.friction_duty for p in pumps])
        self._end_share = _row([p.end_share for p in pumps])
        self._flow_k = _row([p.free_flow for p in pumps]) / self._end_share
        self._back_leak = _row([p.leak_share for p in pumps])
        self._curvature = _row([p.curvature for p in pumps])
        self._curved = _any(self._curvature != 0.0)
        self._end_most = self._end_share  # of ambient in kPa, which _take_inputs puts in
        self._turn_to(_row([p.speed for p in pumps]), _row([p.heat_k for p in pumps]))

    def _lags(self, speed: Floats, heat_k: Floats) -> Floats:
        """What follows speed and heat in straight lines, and so lags behind the inputs as they do.

        The first times the last is the pump's conductance, the second times the last what it draws at no vacuum.
        """
        cool = self._flow_k * (1.0 - pump.HOT_LOSS_PER_K * heat_k)
        return np.array([speed + self._back_leak, speed * self._end_most, cool])

    def _turn_to(self, speed: Floats, heat_k: Floats) -> None:
        self._turning = self._lags(speed, heat_k)
        self._turned, self._drawn, self._cool = self._turning

    def _set_valve(self, valves: Sequence[valve.Valve]) -> None:
        self._coil = _row([v.coil for v in valves])
        self._energised = np.array([v.energised for v in valves])
        self._travel = _row([v.travel for v in valves])
        self._slow = 1.0 + valve.SLOW_TIMES * _row([v.slow for v in valves])
        self._least = _row([v.stuck_open for v in valves])
        self._most = 1.0 - _row([v.stuck_shut for v in valves])
        self._valve_open = _row([v.position for v in valves])

    def _take_inputs(self, dt_s: float) -> None:
        """Work out what follows from inputs and step alone."""
        self._known_dt_s = dt_s
        volts = self.supply_volts * self._volt_share
        self._amb = np.array([1e-3 * self.ambient_pa] * 3)
        self._amb_2 = 2.0 * self._amb[0]
        self._tip_2 = 2.0 * self.tip_share
        self._tips = _any(self.tip_share > 0.0)
        self._open_to(self._valve_open)
        self._cap, self._own = self._capacities(1.0 / dt_s)

        speed, heat_k = self.speed, self.heat_k
        self._end_most = self._end_share * self._amb[0]
        self._turn_to(speed, heat_k)
        drive = self._drive = self.pump_duty * volts
        self._may_stall = _any(drive < self._start)
        self._down = pump.SPIN_DOWN_S / (pump.SPIN_DOWN_S + dt_s)
        up, warm = dt_s / (pump.SPIN_UP_S + dt_s), dt_s / (pump.HEAT_S + dt_s)
        shares = np.repeat([[up], [up], [warm]], self.n, axis=1)
        target = np.clip((drive - self._dry) / (1.0 - self._dry), 0.0, pump.MOST_SPEED)
        self._turning_keeps = 1.0 - shares
        self._turning_gains = shares * self._lags(target, pump.HEAT_K * drive**2)

        self._coil_drive = self.valve_drive * volts
        self._valve_rests = False

    def _capacities(self, rate: Floats | float) -> tuple[Floats, Floats]:
        """Volume over step, alone and with what drains to ambient anyway."""
        cap = self._volume * rate
        return cap, cap + self._drains

    def _step_pump(self) -> None:
        turning = self._turning
        if self._may_stall:
            speed = self.speed
            stalls = self._drive < np.where(speed < 0.02, self._start, self._floor)
            falling = speed * self._down
            falling[falling < 1e-6] = 0.0
        turning *= self._turning_keeps
        turning += self._turning_gains
        if self._may_stall:
            np.copyto(turning[:2], self._lags(falling, falling)[:2], where=stalls)

    def _step_valve(self, dt_s: float) -> None:
        drive, coil = self._coil_drive, self._coil
        coil += (drive - coil) * (dt_s / (valve.COIL_S * self._slow + dt_s))
        settled = np.abs(drive - coil) < valve.SETTLED
        np.copyto(coil, drive, where=settled)
        self._energised = np.where(self._energised, coil >= valve.DROP_OUT, coil > valve.PULL_IN)
        move = dt_s / (valve.TRAVEL_S * self._slow)
        travel = np.clip(self._travel + np.where(self._energised, move, -move), 0.0, 1.0)
        self._valve_rests = bool(settled.all() and (travel == self._travel).all())
        self._travel = travel
        self._open_to(np.minimum(np.maximum(travel, self._least), self._most))

    def _open_to(self, opened: Floats) -> None:
        self._valve_open = opened
        self._join_k = self._valve_k * opened
        self._vent_k = self._valve_k * (1.0 - opened)
        self._joins, self._vents = _any(opened > 0.0), _any(opened < 1.0)
        self._limits[:3] = np.where(opened == 1.0, COARSE_KPA, COARSE_VENT_KPA)
        # rows of what passes something in some unit; the other conductances stay at zero
        used = [row for row, passes in ((TIP, self._tips), (JOIN, self._joins), (VENT, self._vents)) if passes]
        rows = slice(used[0], used[-1] + 1, used[-1] - used[0] if len(used) == 2 else 1)
        self._rows = rows
        work = (self._amb, self._one, self._linear, self._orifice_w, self._beyond, self._high, self._nearest, self._w)
        self._orifices = [one[rows] for one in work]
        self._outer[:] = self._between[:] = 0.0

    def _pass_orifices(self, old: _State) -> None:
        """Conductances of needle and valve; see Air.step."""
        amb, one, linear, orifice_w, beyond, high, nearest, w = self._orifices
        here = old.vacuum[self._rows]
        np.copyto(self._beyond_join, old.line)
        np.minimum(here, beyond, out=high)
        np.subtract(amb, high, out=high)
        np.subtract(here, beyond, out=w)
        np.abs(w, out=w)
        np.multiply(high, linear, out=nearest)
        np.maximum(w, nearest, out=w)
        np.divide(high, w, out=w)
        w *= orifice_w
        # w is 2 u now. Next it is the square of the conductance over that at u = 1
        w -= one
        choked = w < one
        if _any(choked):
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
            g, friction, square = self._g_tip, self._a, self._b
            np.divide(self._tip_k, self._w_tip, out=g)
            np.subtract(self._amb_2, old.pen, out=friction)
            np.divide(self._tip_r, friction, out=friction)
            np.multiply(friction, friction, out=square)
            g += square
            np.sqrt(g, out=g)
            g += friction
            np.divide(self._tip_2, g, out=g)

    def _pass_pump(self, suck: Floats) -> Floats:
        """Conductance of the pump to its end vacuum; what it draws. Its check valves pass nothing the other way."""
        g, draws, back, shut = self._g_pump, self._a, self._b, self._flags
        np.multiply(self._turned, self._cool, out=g)
        np.multiply(self._drawn, self._cool, out=draws)
        np.multiply(suck, g, out=back)
        np.greater_equal(back, draws, out=shut)
        if self._raised:
            shut |= draws <= 0.0
        if _any(shut):
            g[shut] = draws[shut] = 0.0
        if self._curved:
            share = np.maximum(suck, 0.0) * self._turned / np.maximum(self._drawn, 1e-12)
            bulge = 1.0 + self._curvature * share
            g *= bulge
            draws *= bulge
        return draws

    def _stretch_hose(self, passing: Floats, active: Flags | None) -> None:
        """Let the hose's resistance follow its Reynolds number where `active`, or everywhere; see Air._stretch_hose."""
        re = 1e3 * self._hose_re * passing
        safe = np.maximum(re, flow.LAMINAR_RE)
        blasius = 0.3164 / safe**0.25
        share = np.minimum((safe - flow.LAMINAR_RE) / (flow.TURBULENT_RE - flow.LAMINAR_RE), 1.0)
        between = (1.0 - share) * 64.0 / flow.LAMINAR_RE + share * 0.3164 / flow.TURBULENT_RE**0.25
        factor = np.where(share < 1.0, between, blasius)
        target = np.where(re > flow.LAMINAR_RE, factor * re / 64.0, 1.0)
        target -= self._stretch
        target *= 0.5
        self._stretch += target if active is None else np.where(active, target, 0.0)
        self._stretched = _any(self._stretch > 1.0)
        self._hose_k = 500.0 / (self._hose_r * self._stretch + self._filter_r)

    @property
    def pen_kpa(self) -> Floats:
        """Vacuum of the pen, kPa."""
        return np.array(self._now.pen)

    @property
    def line_kpa(self) -> Floats:
        """Vacuum of the line between filter and valve, kPa."""
        return np.array(self._now.line)

    @property
    def pump_kpa(self) -> Floats:
        """Vacuum of the pump side, kPa."""
        return np.array(self._now.suck)

    @property
    def valve_open(self) -> Floats:
        """Opening of the valve to the pump, 0 to 1; the rest is open to ambient."""
        return np.array(self._valve_open)

    @property
    def speed(self) -> Floats:
        """Speed of the pump over rated."""
        return np.asarray(self._turned - self._back_leak)

    @property
    def heat_k(self) -> Floats:
        """Case of the pump above ambient, K."""
        return np.asarray((1.0 - self._cool / self._flow_k) / pump.HOT_LOSS_PER_K)

    def step(self, dt_s: float) -> None:
        """Advance all by dt_s seconds, above 0; see Air.step."""
        if dt_s != self._known_dt_s:
            self._take_inputs(dt_s)
        self._step_pump()
        if not self._valve_rests:
            self._step_valve(dt_s)
        old, new = self._now, self._next
        if self._turbulent:
            self._stretch_hose(old.hose_flow, None)
        self._solve(old, new, self._cap, self._own)
        beyond = new.reached > self._limits
        self._turbulent = self._stretched
        if _any(beyond):
            coarse = np.asarray(beyond[:3].any(axis=0))
            if _any(coarse):
                self._step_finely(dt_s, old, new, coarse)
            self._turbulent = self._stretched or _any(new.hose_flow > self._limits[3])
        self._now, self._next = new, old

    def _step_finely(self, dt_s: float, old: _State, new: _State, coarse: Flags) -> None:
        """Take the step of `coarse` units again in fine ones, each in its own number of them."""
        wanted = (new.ways.max(axis=0) / FINE_KPA).astype(int) + 1
        left = np.where(coarse, np.minimum(wanted, MOST_FINE_STEPS), 0)
        cap, own = self._capacities(np.maximum(left, 1) / dt_s)
        np.copyto(new.vacuum, old.vacuum, where=coarse)
        np.copyto(new.hose_flow, old.hose_flow, where=coarse)
        fine = self._fine
        for taken in range(int(left.max())):
            active = left > taken
            if self._stretched or _any(new.hose_flow > self._limits[3]):
                self._stretch_hose(new.hose_flow, active)
            self._solve(new, fine, cap, own)
            np.copyto(new.vacuum, fine.vacuum, where=active)
            np.copyto(new.hose_flow, fine.hose_flow, where=active)

    def _solve(self, old: _State, new: _State, cap: Floats, own: Floats) -> None:
        """One implicit step; `cap` and `own`: see `_capacities`."""
        g_hose, between = self._g_hose, self._between
        np.add(old.pen, old.line, out=g_hose)
        np.subtract(self._amb_2, g_hose, out=g_hose)
        g_hose *= self._hose_k
        self._pass_orifices(old)
        draws = self._pass_pump(old.suck)

        left_ends, right_ends = self._left_ends, self._right_ends
        np.add(own, self._outer, out=self._left)
        np.multiply(cap, old.vacuum, out=self._right)
        right_suck = self._right_suck
        right_suck += draws
        by, share, product = self._by, self._share, self._product
        np.add(left_ends, between, out=by)
        np.divide(between, by, out=share)
        ends = np.divide(right_ends, by, out=new.ends)
        # the line first, with pen and pump side eliminated; then these
        left, right = self._left_line, self._right_line
        left_ends *= share
        left += self._left_pen
        left += self._left_suck
        right_ends *= share
        right += self._right_pen
        right += self._right_suck
        line = np.divide(right, left, out=new.line)
        np.multiply(self._pen_share, line, out=self._pen_product)
        np.multiply(self._suck_share, line, out=self._suck_product)
        ends += product
        np.subtract(new.vacuum, old.vacuum, out=new.ways)
        passed = np.subtract(line, new.pen, out=new.hose_flow)
        passed *= g_hose
        np.abs(new.reached, out=new.reached)
