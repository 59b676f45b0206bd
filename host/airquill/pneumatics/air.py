"""The air path of one tool, stepped through time.

    ambient -needle- [pen] -hose, filter- [line] -valve- [pump side] -pump- ambient
                     leak                  vent            back leak

Three volumes carry a pressure: the pen (tip to filter, where the sensor is teed in), the short line between filter and
valve, and the pump side. Isothermal ideal gas: V dp/dt = sum of throughputs in Pa m3/s.

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

# Longest way of a pressure in one step: a pick moves 100 to 300 Pa in 1 ms and is smooth; a vent ends steeply.
COARSE_PA = 400.0
COARSE_VENT_PA = 60.0
FINE_PA = 25.0
MOST_FINE_STEPS = 100

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

        self.valve_open = 0.0
        self.pen_kpa = 0.0
        self.line_kpa = 0.0
        self.pump_kpa = 0.0
        self.tip_flow = 0.0
        self.leak_flow = 0.0
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
        self._tip_k = needle.c_inertia * scale * bore_left
        self._tip_b = NEEDLE_B
        self._tip_end = flow.linear_end(NEEDLE_B)
        self._tip_r = flow.laminar_resistance(needle.bore_mm, needle.length_mm, self.temp_c) / bore_left
        self._tip_r /= needle.c_share
        self._valve_k = valve.c_dm3_s_bar * flow.C_UNIT * scale
        self._valve_b = valve.b
        self._valve_end = flow.linear_end(valve.b)
        self._blow_k = BLOW_C * scale
        self._hose_r = flow.laminar_resistance(self.hose_bore_mm, self.hose_length_mm, self.temp_c)
        # 5 L/min of reference air at a mean pressure near ambient
        filter_r = self.filter_kpa * 1000.0 / (5.0 / 60000.0)
        self._filter_r = filter_r / (1.0 - 0.97 * faults["filter_clog"]) ** 4
        self._hose_re = flow.reynolds(1.0, self.hose_bore_mm, self.temp_c)
        self._leak_g = self.leak + LEAK_SPAN * faults["hose_leak"]
        pump.wear = faults["pump_wear"]
        pump.stall = faults["pump_stall"]
        pump.refresh()
        valve.slow = faults["valve_slow"]
        valve.stuck_open = faults["valve_stuck_open"]
        valve.stuck_shut = faults["valve_stuck_shut"]

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
        amb = self.ambient_pa
        pen = amb - 1000.0 * self.pen_kpa
        line = amb - 1000.0 * self.line_kpa
        suck = amb - 1000.0 * self.pump_kpa
        volts = self.supply_volts * (1.0 - SAG_SHARE * self.faults["supply_sag"]) / RATED_VOLTS
        pump = self.pump
        speed = pump.speed
        if self.pump_duty or speed or pump.heat_k > 0.01:
            speed = pump.step(self.pump_duty * volts, dt_s)
        valve = self.valve
        opened = self.valve_open = valve.step(self.valve_drive * volts, dt_s)

        b_tip = self._tip_b
        b_valve = self._valve_b
        share = self.tip_share
        g_leak = self._leak_g
        source = amb + 1000.0 * self.blow_kpa if self.blow_open else 0.0
        # the pump is a conductance to its end pressure; its check valves pass nothing the other way
        end = amb
        pump_k = 0.0
        if speed > 0.0:
            turned = speed + pump.leak_share
            end = amb - amb * pump.end_share * speed / turned
            pump_k = pump.free_flow * turned / pump.end_share * (1.0 - HOT_LOSS_PER_K * pump.heat_k)
        rate = 1.0 / dt_s
        left = 0  # fine steps to go; 0 while the whole step is tried

        while True:
            g_tip = 0.0
            if share > 0.0:
                ratio = pen / amb if pen < amb else amb / pen
                g_tip = self._tip_k
                if ratio <= b_tip:
                    g_tip /= 1.0 - ratio
                elif ratio < 0.999:
                    x = (ratio - b_tip) / (1.0 - b_tip)
                    g_tip *= sqrt(1.0 - x * x) / (1.0 - ratio)
                else:
                    g_tip *= self._tip_end
                friction = 2.0 * self._tip_r / (pen + amb)
                g_tip = 2.0 * share / (friction + sqrt(friction * friction + 4.0 / (g_tip * g_tip)))

            # hose and filter
            stretch = self._hose_stretch
            re = self._hose_re * self.hose_flow
            if re < 0.0:
                re = -re
            if re > flow.LAMINAR_RE or stretch > 1.0:
                # half of the way to the new value each time: the turbulent law alone would hunt
                target = flow.friction_factor(re) * re / 64.0 if re > flow.LAMINAR_RE else 1.0
                stretch += 0.5 * (target - stretch)
                self._hose_stretch = stretch
            g_hose = 0.5 * (pen + line) / (self._hose_r * stretch + self._filter_r)

            # valve: to the pump by its opening, to ambient by the rest
            g_join = 0.0
            if opened > 0.0:
                ratio = suck / line if suck < line else line / suck
                g_join = self._valve_k * opened
                if ratio <= b_valve:
                    g_join /= 1.0 - ratio
                elif ratio < 0.999:
                    x = (ratio - b_valve) / (1.0 - b_valve)
                    g_join *= sqrt(1.0 - x * x) / (1.0 - ratio)
                else:
                    g_join *= self._valve_end
            g_vent = 0.0
            if opened < 1.0:
                ratio = line / amb if line < amb else amb / line
                g_vent = self._valve_k * (1.0 - opened)
                if ratio <= b_valve:
                    g_vent /= 1.0 - ratio
                elif ratio < 0.999:
                    x = (ratio - b_valve) / (1.0 - b_valve)
                    g_vent *= sqrt(1.0 - x * x) / (1.0 - ratio)
                else:
                    g_vent *= self._valve_end

            g_pump = 0.0
            if suck > end:
                g_pump = pump_k
                if pump.curvature and speed > 0.0 and suck < amb:
                    g_pump *= 1.0 + pump.curvature * (amb - suck) / (amb - end)

            # backward Euler over the three volumes, eliminated from both ends towards the line
            cap_pen = self.pen_m3 * rate
            cap_line = self.line_m3 * rate
            cap_suck = self.pump_m3 * rate
            g_in = g_tip + g_leak
            den_pen = cap_pen + g_in + g_hose
            rhs_pen = cap_pen * pen + g_in * amb
            den_suck = cap_suck + g_join + g_pump + STANDING_LEAK
            rhs_suck = cap_suck * suck + g_pump * end + STANDING_LEAK * amb
            den = cap_line + g_hose + g_join + g_vent
            rhs = cap_line * line + g_vent * amb
            if source:
                ratio = min(line / source, flow.LINEAR_RATIO)
                g_blow = self._blow_k * flow.phi(ratio, BLOW_B) / (1.0 - ratio)
                den += g_blow
                rhs += g_blow * source
            to_pen = g_hose / den_pen
            to_suck = g_join / den_suck
            new_line = (rhs + to_pen * rhs_pen + to_suck * rhs_suck) / (den - to_pen * g_hose - to_suck * g_join)
            new_pen = (rhs_pen + g_hose * new_line) / den_pen
            new_suck = (rhs_suck + g_join * new_line) / den_suck
            if left == 0:
                moved = max(abs(new_pen - pen), abs(new_line - line), abs(new_suck - suck))
                if moved > (COARSE_PA if opened == 1.0 else COARSE_VENT_PA):
                    left = min(int(moved / FINE_PA) + 1, MOST_FINE_STEPS)
                    rate *= left
                    continue
            pen = new_pen
            line = new_line
            suck = new_suck
            self.hose_flow = g_hose * (pen - line)
            if left <= 1:
                break
            left -= 1

        self.pen_kpa = (amb - pen) * 0.001
        self.line_kpa = (amb - line) * 0.001
        self.pump_kpa = (amb - suck) * 0.001
        self.tip_flow = g_tip * (amb - pen)
        self.leak_flow = g_leak * (amb - pen)
        self.pump_flow = g_pump * (suck - end)
