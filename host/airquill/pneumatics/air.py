"""The air path of one tool, stepped through time.

    ambient -needle- [pen] -hose, filter- [line] -valve- [pump side] -pump- ambient
                     leak                  vent            back leak

Three volumes carry a pressure: the pen (tip to filter, where the sensor is teed in), the short line between filter and
valve, and the pump side. Isothermal ideal gas: V dp/dt = sum of throughputs in Pa m3/s.

An ISO 6358 element of k = C p0 sqrt(T / T0) and r = p2 / p1 has, with u = (1 - b) / (1 - r), the secant conductance
k / (1 - b) times u where it is choked (u up to 1), and times sqrt(2 u - 1) elsewhere: the standard's ellipse over
1 - r, in one root. It is held at r = LINEAR_RATIO, where u would grow without end.

Integrator: linearly implicit Euler. Each element counts as its secant conductance g(p) >= 0 of the last step, so the
new pressures solve a three by three M-matrix system: every new pressure is a weighted mean of old pressures, ambient
and the pump's end pressure. It cannot overshoot or blow up, at any step (the discrete maximum principle; Hairer and
Wanner, Solving ODEs II, chapter IV, for the method). It is first order, so a step that moves a pressure far, such as in
a vent, is taken again in fine ones.
"""

from math import sqrt

from . import flow
from .needles import NEEDLE_B, Needle
from .pump import HOT_LOSS_PER_K, RATED_VOLTS, Pump
from .valve import Valve

TIGHT_LEAK = 1.7e-8  # m3/s: 20 mL at 60 kPa lose 0.05 kPa/s
LEAK_SPAN = 6e-5  # m3/s at fault strength 1: about half the conductance of the default pump
STANDING_LEAK = 4e-8  # m3/s through the pump's own check valves
SAG_SHARE = 0.4  # of the supply voltage, at strength 1
BLOW_C = 0.3 * flow.C_UNIT  # the optional puff valve: as wide as the vent it works against; chosen
BLOW_B = 0.35

# Longest way of a pressure in one step: a pick moves 0.1 to 0.3 kPa in 1 ms and is smooth; a vent ends steeply.
COARSE_KPA = 0.4
COARSE_VENT_KPA = 0.06
FINE_KPA = 0.025
MOST_FINE_STEPS = 100
LINEAR = 1.0 - flow.LINEAR_RATIO

FAULTS = (
    "tip_clog",
    "filter_clog",
    "hose_leak",
    "pump_wear",
    "pump_stall",
    "valve_stuck_open",
    "valve_stuck_shut",
    "valve_slow",
    "supply_sag",
)


class Air:
    """Set the inputs, call step(), read the outputs.

    Inputs: pump_duty and valve_drive (0 to 1), tip_share (0 sealed, 1 open; `tip` takes the words too), supply_volts,
    ambient_pa, blow_open (0 or 1) with blow_kpa above ambient. Outputs: pen_kpa, line_kpa, pump_kpa (vacuum, positive),
    valve_open (0 to 1), tip_lpm, leak_lpm, pump_lpm (L/min of reference air), the same as throughputs in *_flow.
    """

    def __init__(
        self,
        pump: Pump | None = None,
        valve: Valve | None = None,
        needle: Needle | None = None,
        hose_bore_mm: float = 2.5,
        hose_length_mm: float = 1000.0,
        filter_kpa: float = 0.8,
        pen_ml: float = 3.0,
        line_ml: float = 2.0,
        pump_ml: float = 6.0,
        leak: float = TIGHT_LEAK,
        ambient_pa: float = 101325.0,
        temp_c: float = 20.0,
    ):
        """`filter_kpa`: drop of the clean filter at 5 L/min. `pen_ml`: pen and fittings, without the hose.

        Raises ValueError when a dimension is not positive.
        """
        if min(hose_bore_mm, hose_length_mm, filter_kpa, pen_ml, line_ml, pump_ml, ambient_pa) <= 0.0 or leak < 0.0:
            raise ValueError("bores, lengths, volumes and pressures of the air path must be above zero")
        self.pump = pump or Pump()
        self.valve = valve or Valve()
        self.needle = needle or Needle(22)
        self.hose_bore_mm = hose_bore_mm
        self.hose_length_mm = hose_length_mm
        self.filter_kpa = filter_kpa
        self.pen_m3 = pen_ml * 1e-6 + 0.7854e-9 * hose_bore_mm * hose_bore_mm * hose_length_mm
        self.line_m3 = line_ml * 1e-6
        self.pump_m3 = pump_ml * 1e-6
        self.leak = leak
        self.temp_c = temp_c
        self.faults = dict((name, 0.0) for name in FAULTS)

        self.pump_duty = 0.0
        self.valve_drive = 0.0
        self.tip_share = 1.0
        self.supply_volts = RATED_VOLTS
        self.ambient_pa = ambient_pa
        self.blow_open = 0
        self.blow_kpa = 10.0

        self.pen_kpa = 0.0
        self.line_kpa = 0.0
        self.pump_kpa = 0.0
        self.tip_flow = 0.0
        self.hose_flow = 0.0
        self.pump_flow = 0.0
        self._hose_stretch = 1.0  # hose resistance over its laminar value
        self.refresh()

    def refresh(self) -> None:
        """Recompute what follows from dimensions, needle and faults; call after changing one of them."""
        faults = self.faults
        scale = flow.throughput_scale(1.0, self.temp_c)
        needle, valve, pump = self.needle, self.valve, self.pump
        # a clog takes its share off both losses: C and the laminar conductance shrink alike
        bore_left = (1.0 - 0.98 * faults["tip_clog"]) ** 2
        tip_k = needle.c_inertia * scale * bore_left / (1.0 - NEEDLE_B)
        tip_r = flow.laminar_resistance(needle.bore_mm, needle.length_mm, self.temp_c) / (bore_left * needle.c_share)
        valve_k = valve.c_dm3_s_bar * flow.C_UNIT * scale / (1.0 - valve.b)
        self._blow_k = BLOW_C * scale
        self._hose_r = flow.laminar_resistance(self.hose_bore_mm, self.hose_length_mm, self.temp_c)
        # 5 L/min of reference air at a mean pressure near ambient
        filter_r = self.filter_kpa * 1000.0 / (5.0 / 60000.0)
        self._filter_r = filter_r / (1.0 - 0.97 * faults["filter_clog"]) ** 4
        self._hose_re = flow.reynolds(1.0, self.hose_bore_mm, self.temp_c)
        self._hose_k = 500.0 / (self._hose_r * self._hose_stretch + self._filter_r)
        self._leak_g = self.leak + LEAK_SPAN * faults["hose_leak"]
        self._volt_share = (1.0 - SAG_SHARE * faults["supply_sag"]) / RATED_VOLTS
        # what step() needs, in its order; pressures are in kPa there
        self._constants = (
            1.0 - NEEDLE_B,
            4.0 / (tip_k * tip_k),
            0.002 * tip_r,
            self._leak_g,
            1.0 - valve.b,
            valve_k,
            flow.LAMINAR_RE / self._hose_re,
            self.pen_m3,
            self.line_m3,
            self.pump_m3,
        )
        pump.wear = faults["pump_wear"]
        pump.stall = faults["pump_stall"]
        pump.refresh()
        valve.slow = faults["valve_slow"]
        valve.stuck_open = faults["valve_stuck_open"]
        valve.stuck_shut = faults["valve_stuck_shut"]
        valve.refresh()

    def set_fault(self, name: str, strength: float) -> None:
        """Set a fault's strength, 0 to 1; takes effect with the next step. ValueError for a bad name or strength."""
        if name not in self.faults:
            raise ValueError("no fault of the air path is called %s; there are %s" % (name, ", ".join(FAULTS)))
        if not 0.0 <= strength <= 1.0:
            raise ValueError("the strength of %s must be 0 to 1" % name)
        self.faults[name] = float(strength)
        self.refresh()

    def set_needle(self, needle: Needle) -> None:
        """Change the needle (needles.Needle)."""
        self.needle = needle
        self.refresh()

    @property
    def tip(self) -> str | float:
        """The tip: "open", "sealed" or the share of the needle's conductance left open, 0 to 1."""
        return "open" if self.tip_share == 1.0 else "sealed" if self.tip_share == 0.0 else self.tip_share

    @tip.setter
    def tip(self, state: str | float) -> None:
        share = 1.0 if state == "open" else 0.0 if state == "sealed" else float(state)
        if not 0.0 <= share <= 1.0:
            raise ValueError('the tip is "open", "sealed" or a share of 0 to 1')
        self.tip_share = share

    @property
    def supply_now(self) -> float:
        """Supply voltage with the sag fault, V."""
        return self.supply_volts * (1.0 - SAG_SHARE * self.faults["supply_sag"])

    @property
    def valve_open(self) -> float:
        """Opening of the valve to the pump, 0 to 1; the rest is open to ambient."""
        return self.valve.position

    @property
    def leak_flow(self) -> float:
        """Air in through leaks of the pen side, Pa m3/s."""
        return 1000.0 * self._leak_g * self.pen_kpa

    @property
    def tip_lpm(self) -> float:
        """Air in through the needle, L/min of reference air; negative when it blows out."""
        return flow.lpm(self.tip_flow, self.temp_c)

    @property
    def leak_lpm(self) -> float:
        """Air in through leaks of the pen side, L/min of reference air."""
        return flow.lpm(self.leak_flow, self.temp_c)

    @property
    def pump_lpm(self) -> float:
        """Air out through the pump, L/min of reference air."""
        return flow.lpm(self.pump_flow, self.temp_c)

    def set_vacuum(self, pen_kpa: float, line_kpa: float, pump_kpa: float) -> None:
        """Set the state, kPa below ambient."""
        self.pen_kpa = pen_kpa
        self.line_kpa = line_kpa
        self.pump_kpa = pump_kpa

    def step(self, dt_s: float) -> None:
        """Advance by dt_s seconds, above 0. Stable at every dt_s; 1 to 5 ms follow a pick, seconds serve idle time."""
        amb = 0.001 * self.ambient_pa
        volts = self.supply_volts * self._volt_share
        pump = self.pump
        speed = pump.speed
        if self.pump_duty or speed or pump.heat_k > 0.01:
            speed = pump.step(self.pump_duty * volts, dt_s)
        valve = self.valve
        drive = self.valve_drive * volts
        if drive != valve.rests_at:
            valve.step(drive, dt_s)
        opened = valve.position
        # the pump is a conductance to its end vacuum; its check valves pass nothing the other way
        end = pump_g = 0.0
        if speed > 0.0:
            turned = speed + pump.leak_share
            end = amb * pump.end_share * speed / turned
            pump_g = pump.free_flow * turned / pump.end_share * (1.0 - HOT_LOSS_PER_K * pump.heat_k)

        # *_u are u at r = 0, which is 1 - b; valve_k is k over that; tip_k and tip_r are what with_friction needs
        tip_u, tip_k, tip_r, leak_g, valve_u, valve_k, hose_limit, pen_m3, line_m3, pump_m3 = self._constants
        share = self.tip_share
        coarse = COARSE_KPA if opened == 1.0 else COARSE_VENT_KPA
        pen, line, suck = self.pen_kpa, self.line_kpa, self.pump_kpa  # vacuum; *_abs below are absolute
        hose_flow = self.hose_flow
        left = 0  # fine steps to go; 0 while the whole step is tried
        rate = 1.0 / dt_s

        while True:
            pen_abs = amb - pen
            line_abs = amb - line
            g_tip = 0.0
            if share > 0.0:
                # flow.with_friction, with 4 over the square of the inertial conductance
                if pen >= 0.0:
                    u = tip_u * amb / pen if pen > LINEAR * amb else tip_u / LINEAR
                else:
                    u = tip_u * pen_abs / -pen if -pen > LINEAR * pen_abs else tip_u / LINEAR
                inertia = tip_k / (u + u - 1.0 if u > 1.0 else u * u)
                friction = tip_r / (pen_abs + amb)
                g_tip = 2.0 * share / (friction + sqrt(friction * friction + inertia))

            # hose and filter: laminar, unless it flows faster, or did
            if hose_flow > hose_limit or hose_flow < -hose_limit or self._hose_stretch > 1.0:
                self._stretch_hose(hose_flow)
            g_hose = self._hose_k * (pen_abs + line_abs)

            # valve: to the pump by its opening, to ambient by the rest
            g_join = 0.0
            if opened > 0.0:
                drop = suck - line
                high = line_abs
                if drop < 0.0:
                    drop = -drop
                    high += drop
                u = valve_u * high / drop if drop > LINEAR * high else valve_u / LINEAR
                g_join = valve_k * opened * (sqrt(u + u - 1.0) if u > 1.0 else u)
            g_vent = 0.0
            if opened < 1.0:
                if line >= 0.0:
                    u = valve_u * amb / line if line > LINEAR * amb else valve_u / LINEAR
                else:
                    u = valve_u * line_abs / -line if -line > LINEAR * line_abs else valve_u / LINEAR
                g_vent = valve_k * (1.0 - opened) * (sqrt(u + u - 1.0) if u > 1.0 else u)

            g_pump = 0.0
            if suck < end:
                g_pump = pump_g
                if pump.curvature and suck > 0.0:
                    g_pump *= 1.0 + pump.curvature * suck / end

            # backward Euler over the three volumes, eliminated from both ends towards the line
            from_pen = pen_m3 * rate
            from_line = line_m3 * rate
            from_suck = pump_m3 * rate
            own_pen = from_pen + g_tip + leak_g
            own_suck = from_suck + g_pump + STANDING_LEAK
            rhs_pen = from_pen * pen
            rhs_suck = from_suck * suck + g_pump * end
            to_pen = g_hose / (own_pen + g_hose)
            to_suck = g_join / (own_suck + g_join)
            den = from_line + g_vent + to_pen * own_pen + to_suck * own_suck
            rhs = from_line * line + to_pen * rhs_pen + to_suck * rhs_suck
            if self.blow_open:
                source = amb + self.blow_kpa
                ratio = min(line_abs / source, flow.LINEAR_RATIO)
                g_blow = self._blow_k * flow.phi(ratio, BLOW_B) / (1.0 - ratio)
                den += g_blow
                rhs -= g_blow * self.blow_kpa
            new_line = rhs / den
            new_pen = (rhs_pen + g_hose * new_line) / (own_pen + g_hose)
            new_suck = (rhs_suck + g_join * new_line) / (own_suck + g_join)
            if left == 0 and not (
                -coarse <= new_pen - pen <= coarse
                and -coarse <= new_line - line <= coarse
                and -coarse <= new_suck - suck <= coarse
            ):
                moved = max(abs(new_pen - pen), abs(new_line - line), abs(new_suck - suck))
                left = min(int(moved / FINE_KPA) + 1, MOST_FINE_STEPS)
                rate *= left
                continue
            pen = new_pen
            line = new_line
            suck = new_suck
            hose_flow = 1000.0 * g_hose * (line - pen)
            if left <= 1:
                break
            left -= 1

        self.pen_kpa = pen
        self.line_kpa = line
        self.pump_kpa = suck
        self.hose_flow = hose_flow
        self.tip_flow = 1000.0 * g_tip * pen
        self.pump_flow = 1000.0 * g_pump * (end - suck)

    def _stretch_hose(self, hose_flow: float) -> None:
        """Let the hose's resistance follow its Reynolds number, above its laminar value from Re 2300."""
        re = self._hose_re * abs(hose_flow)
        target = flow.friction_factor(re) * re / 64.0 if re > flow.LAMINAR_RE else 1.0
        # half of the way to the new value each time: the turbulent law alone would hunt
        self._hose_stretch += 0.5 * (target - self._hose_stretch)
        self._hose_k = 500.0 / (self._hose_r * self._hose_stretch + self._filter_r)
