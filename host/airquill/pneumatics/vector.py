"""Many air paths at once, with numpy: for fitting and for drawing a thousand units.

The model and the integrator are those of `air.Air`, element by element; a test holds the two together to 1e-7 kPa. Not
for MicroPython. With a thousand units the calls of numpy take longer than the arithmetic, most of all those that
broadcast or skip rows. So like elements are neighbouring rows of one array, work is done in place through views made
once, what only inputs change is kept until they change, and what no unit needs (a choked orifice, a sealed needle, a
vent, a stall, turbulence) is left out.
"""

from collections.abc import Sequence

import numpy as np

from .air import COARSE_KPA, COARSE_VENT_KPA, FINE_KPA, MOST_FINE_STEPS, STANDING_LEAK, Air
from .vector_parts import ENDS, Flags, Floats, Hoses, Orifices, Pumps, State, Valves, any_of, row


class _Input:
    """An input of all units. What is set, an array of N or one number for all, is copied; what is read is read-only."""

    def __set_name__(self, _owner: type, name: str) -> None:
        self._name = "_" + name

    def __get__(self, many: "AirMany", _owner: type) -> Floats:
        return np.asarray(many.__dict__[self._name])

    def __set__(self, many: "AirMany", value: Floats | float) -> None:
        values = np.array(np.broadcast_to(value, many.n), dtype=np.float64)
        values.setflags(write=False)
        many.__dict__[self._name] = values
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

    def __init__(self, airs: Sequence[Air], finely: bool = True):
        """Not `finely`, a step is one step however far a pressure moves: for who takes short ones where it does.

        Raises ValueError for an empty list.
        """
        if not airs:
            raise ValueError("give at least one air path")
        n = len(airs)
        self._coarse_kpa = (COARSE_KPA, COARSE_VENT_KPA) if finely else (np.inf, np.inf)
        self.n = n
        self._known_dt_s = 0.0  # the step that _take_inputs was done for; 0 when an input is new
        self.pump_duty = row([a.pump_duty for a in airs])
        self.valve_drive = row([a.valve_drive for a in airs])
        self.tip_share = row([a.tip_share for a in airs])
        self.supply_volts = row([a.supply_volts for a in airs])
        self.ambient_pa = row([a.ambient_pa for a in airs])
        vacuum = np.array([[a.pen_kpa for a in airs], [a.pump_kpa for a in airs], [a.line_kpa for a in airs]])
        # nothing here lifts a pressure above ambient, but a scalar one may have been puffing
        self._raised = any_of(vacuum < 0.0)
        self._now = State(vacuum, np.abs([1e-3 * a.hose_flow for a in airs]))
        self._next, self._fine = (State(np.zeros((3, n)), np.zeros(n)) for _ in range(2))
        self._volt_share = row([a._volt_share for a in airs])
        constants = np.array([a._constants for a in airs]).T.copy()
        tip, (leak_g, valve_u, valve_k, _), (pen_m3, line_m3, pump_m3) = constants[:3], constants[3:7], constants[7:]
        self._volume = np.array([pen_m3, pump_m3, line_m3])
        self._drains = np.array([leak_g, np.full(n, STANDING_LEAK), np.zeros(n)])
        # conductances: of pen and line to ambient and of the pump side to its end vacuum; of the first two to the line
        self._outer, self._between = np.zeros((3, n)), np.zeros((2, n))
        g_tip, self._g_pump, g_vent = self._outer
        self._g_hose, g_join = self._between
        self._pumps = Pumps([a.pump for a in airs])
        self._valves = Valves([a.valve for a in airs])
        self._orifices = Orifices(tip, valve_u, valve_k, (g_tip, g_join, g_vent))
        self._hoses = Hoses(airs, self._g_hose)
        self._turbulent = self._hoses.turbulent(self._now.hose_flow)
        # what a step may reach: the coarsest ways, and the flow from which a hose is not laminar
        self._limits = np.array([*np.zeros((3, n)), self._hoses.most_laminar])
        # the system to solve: what each volume has on its own, and right-hand sides
        self._left, self._right = np.empty((3, n)), np.empty((3, n))
        self._left_ends, self._right_ends = self._left[ENDS], self._right[ENDS]
        self._left_pen, self._left_suck, self._left_line = self._left
        self._right_pen, self._right_suck, self._right_line = self._right
        self._by, self._share = np.empty((2, n)), np.empty((2, n))
        self._pen_share, self._suck_share = self._share

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
        return np.array(self._valves.opened)

    @property
    def speed(self) -> Floats:
        """Speed of the pump over rated."""
        return self._pumps.speed

    @property
    def heat_k(self) -> Floats:
        """Case of the pump above ambient, K."""
        return self._pumps.heat_k

    def _take_inputs(self, dt_s: float) -> None:
        """Work out what follows from inputs and step alone."""
        self._known_dt_s = dt_s
        volts = self.supply_volts * self._volt_share
        self._amb = 1e-3 * self.ambient_pa
        self._amb_2 = 2.0 * self._amb
        self._cap, self._own = self._capacities(1.0 / dt_s)
        self._pumps.aim(self.pump_duty * volts, self._amb, dt_s)
        self._coil_drive = self.valve_drive * volts
        self._valve_rests = False

    def _capacities(self, rate: Floats | float) -> tuple[Floats, Floats]:
        """Volume over step, alone and with what drains to ambient anyway."""
        cap = self._volume * rate
        return cap, cap + self._drains

    def _step_valves(self, dt_s: float) -> None:
        self._valve_rests = self._valves.step(self._coil_drive, dt_s)
        opened = self._valves.opened
        self._limits[:3] = np.where(opened == 1.0, *self._coarse_kpa)
        self._orifices.choose(self.tip_share, opened, self._amb)

    def step(self, dt_s: float) -> None:
        """Advance all by dt_s seconds, above 0; see Air.step."""
        if dt_s != self._known_dt_s:
            self._take_inputs(dt_s)
        self._pumps.step()
        if not self._valve_rests:
            self._step_valves(dt_s)
        old, new, hoses = self._now, self._next, self._hoses
        if self._turbulent:
            hoses.stretch(old.hose_flow, None)
        self._solve(old, new, self._cap, self._own)
        self._turbulent = hoses.stretched
        beyond = new.reached > self._limits
        if any_of(beyond):
            coarse = np.asarray(beyond[:3].any(axis=0))
            if any_of(coarse):
                self._step_finely(dt_s, old, new, coarse)
            self._turbulent = hoses.turbulent(new.hose_flow)
        self._now, self._next = new, old

    def _step_finely(self, dt_s: float, old: State, new: State, coarse: Flags) -> None:
        """Take the step of `coarse` units again in fine ones, each in its own number of them."""
        wanted = (new.ways.max(axis=0) / FINE_KPA).astype(int) + 1
        left = np.where(coarse, np.minimum(wanted, MOST_FINE_STEPS), 0)
        cap, own = self._capacities(np.maximum(left, 1) / dt_s)
        np.copyto(new.vacuum, old.vacuum, where=coarse)
        np.copyto(new.hose_flow, old.hose_flow, where=coarse)
        fine = self._fine
        for taken in range(int(left.max())):
            active = left > taken
            if self._hoses.turbulent(new.hose_flow):
                self._hoses.stretch(new.hose_flow, active)
            self._solve(new, fine, cap, own)
            np.copyto(new.vacuum, fine.vacuum, where=active)
            np.copyto(new.hose_flow, fine.hose_flow, where=active)

    def _solve(self, old: State, new: State, cap: Floats, own: Floats) -> None:
        """One implicit step; `cap` and `own`: see `_capacities`."""
        self._hoses.flow(old, self._amb_2)
        self._orifices.flow(old)
        draws = self._pumps.flow(old.suck, self._raised, self._g_pump)
        left_ends, right_ends, between = self._left_ends, self._right_ends, self._between
        by, share, right_suck = self._by, self._share, self._right_suck
        np.add(own, self._outer, out=self._left)
        np.multiply(cap, old.vacuum, out=self._right)
        right_suck += draws
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
        pen_share, suck_share = self._pen_share, self._suck_share
        pen_share *= line
        suck_share *= line
        ends += share
        np.subtract(new.vacuum, old.vacuum, out=new.ways)
        passed = np.subtract(line, new.pen, out=new.hose_flow)
        passed *= self._g_hose
        np.abs(new.reached, out=new.reached)
