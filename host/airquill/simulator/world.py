"""Everything around the board: air, sensor, pedals, knob, supply, the computer at the keyboard. Outlives restarts."""

from airquill.pneumatics.air import FAULTS as AIR_FAULTS
from airquill.pneumatics.air import Air
from airquill.pneumatics.measured import air_of, needle_of, sensor_of
from airquill.pneumatics.needles import Needle
from airquill.pneumatics.part import Part, Tip
from airquill.pneumatics.sensor import SENSOR_FAULTS, Noise, Sensor

from .contacts import Contacts
from .current import supply_ma
from .faults import OWN_FAULTS
from .keyhost import KeyHost

FAULTS = AIR_FAULTS + SENSOR_FAULTS + OWN_FAULTS

# Air steps: short while something moves, then doubled up to the long one; one step over any time once all is at rest.
STEP_US = 1000
LONGEST_STEP_US = 16000
STEADY_KPA = 0.002
REST_KPA = 0.001
MOST_DRIVES = 400  # changes of the outputs that a recording keeps


class World:
    """One unit's surroundings. Times are microseconds since it began, on the clock that the unit runs by."""

    def __init__(self, seed: int = 1, needle: int = 22, made_of: "dict[str, dict[str, float]] | None" = None) -> None:
        """`made_of`: `figures` and `shares` of a measured unit, see pneumatics/measured.py; else a usual one.

        ValueError for a needle gauge that is not listed, and for figures that no unit has.
        """
        self.seed = seed
        self._shares = made_of["shares"] if made_of else {}
        self.faults: "dict[str, float]" = {name: 0.0 for name in FAULTS}
        self.noise = Noise(seed)
        self.air = air_of(made_of["figures"], self._shares, needle) if made_of else Air(needle=Needle(needle))
        self.tip = Tip(self.air, seed)
        self.sensor = sensor_of(made_of["figures"], seed) if made_of else Sensor(seed=seed)
        self.contacts = Contacts(self.faults, self.noise, seed)
        self.keyhost = KeyHost(self.faults, seed)
        self.knob_steps = 0
        self.knob_down = False
        self.drives: "list[list[float]] | None" = None
        """While recorded: [us, pump's share of 1, valve's share of 1] for each change, up to MOST_DRIVES."""
        self._air_us = 0
        self._step_us = STEP_US

    # ---- faults

    def set_fault(self, now: int, name: str, strength: float) -> None:
        """Give a fault a strength of 0 to 1. ValueError for an unknown name or another strength."""
        if name not in self.faults:
            raise ValueError("no fault is called %s; there are %s" % (name, ", ".join(sorted(FAULTS))))
        if not 0.0 <= strength <= 1.0:
            raise ValueError("the strength of %s must be 0 to 1" % name)
        self.settle(now)
        self.faults[name] = float(strength)
        if name in AIR_FAULTS:
            self.air.set_fault(name, strength)
        elif name in SENSOR_FAULTS:
            self.sensor.set_fault(name, strength)
        self.stir()

    # ---- air

    def settle(self, now: int) -> None:
        """Bring the air to `now`; to be called before an input of it changes or an output is read."""
        air = self.air
        while self._air_us < now:
            step_us = self._step_us
            left = now - self._air_us
            if step_us > left or self.at_rest():
                step_us = left
            pen, line, pump = air.pen_kpa, air.line_kpa, air.pump_kpa
            dt_s = step_us * 1e-6
            air.step(dt_s)
            self.sensor.step(air.pen_kpa, dt_s)
            if self.tip.part is not None and self.tip.step():
                self._step_us = STEP_US
            self._air_us += step_us
            moved = max(abs(air.pen_kpa - pen), abs(air.line_kpa - line), abs(air.pump_kpa - pump))
            if step_us < self._step_us:
                continue
            if moved < STEADY_KPA:
                self._step_us = min(step_us * 2, LONGEST_STEP_US)
            else:
                self._step_us = STEP_US

    def at_rest(self) -> bool:
        """True when the air stands still: no drive, no vacuum in the pen. The pump's side may keep its own for long."""
        air = self.air
        return (
            air.pump_duty == 0.0
            and air.valve_drive == 0.0
            and air.blow_open == 0
            and air.pump.speed == 0.0
            and air.valve_open == 0.0
            and abs(air.pen_kpa) < REST_KPA
            and abs(air.line_kpa) < REST_KPA
        )

    def stir(self) -> None:
        """An input of the air changed: follow closely again."""
        self._step_us = STEP_US

    def drive(self, now: int, pump_duty: float, valve_drive: float, blow_open: int) -> None:
        """What the unit's outputs give from `now` on, as shares of the supply."""
        air = self.air
        if (air.pump_duty, air.valve_drive, air.blow_open) != (pump_duty, valve_drive, blow_open):
            self.settle(now)
            air.pump_duty = pump_duty
            air.valve_drive = valve_drive
            air.blow_open = blow_open
            self.stir()
            if self.drives is not None and len(self.drives) < MOST_DRIVES:
                self.drives.append([now, pump_duty, valve_drive])

    def set_tip(self, now: int, state: "str | float") -> None:
        """Tip "open", "sealed" (a thumb on it), or the share of the needle left open. ValueError for anything else."""
        self.settle(now)
        if self.tip.state != "open":
            self.tip.clean()
        self.air.tip = state
        self.stir()

    def set_needle(self, now: int, gauge: int) -> None:
        """Fit another needle. ValueError for a gauge that is not listed."""
        needle = needle_of(self._shares, gauge)
        self.settle(now)
        self.air.set_needle(needle)
        self.stir()

    def set_supply(self, now: int, volts: float) -> None:
        """Supply voltage. ValueError outside 0 to 30 V."""
        if not 0.0 <= volts <= 30.0:
            raise ValueError("the supply must be 0 to 30 V")
        self.settle(now)
        self.air.supply_volts = float(volts)
        self.stir()

    def touch(self, now: int, size_mm: "list[float]", mass_mg: float) -> None:
        """Put the tip on a part that lies loose. ValueError when the tip is not free or the part cannot be."""
        if len(size_mm) != 3:
            raise ValueError("a part needs length, width and height in mm")
        part = Part(size_mm[0], size_mm[1], size_mm[2], mass_mg)
        self.settle(now)
        self.tip.touch(part)
        self.stir()

    def lift(self, now: int) -> bool:
        """Take the tip up: True when the part comes along."""
        self.settle(now)
        self.stir()
        return bool(self.tip.lift())

    def place(self, now: int, tack_kpa: float) -> None:
        """Set the held part down. ValueError when there is none."""
        self.settle(now)
        self.tip.place(tack_kpa)
        self.stir()

    def truth(self, now: int) -> "dict[str, float | str]":
        """What really is, whatever the sensor says: kPa below ambient, L/min of reference air, shares of 1, mA."""
        self.settle(now)
        air = self.air
        return {
            "us": now,
            "pen_kpa": round(air.pen_kpa, 4),
            "line_kpa": round(air.line_kpa, 4),
            "pump_kpa": round(air.pump_kpa, 4),
            "tip_lpm": round(air.tip_lpm, 4),
            "leak_lpm": round(air.leak_lpm, 4),
            "pump_lpm": round(air.pump_lpm, 4),
            "pump_duty": round(air.pump_duty, 4),
            "pump_speed": round(air.pump.speed, 4),
            "valve_drive": round(air.valve_drive, 4),
            "valve_open": round(air.valve_open, 4),
            "tip_share": round(air.tip_share, 6),
            "tip": self.tip.state,
            "needle": air.needle.gauge,
            "supply_volts": round(air.supply_now, 3),
            "supply_ma": round(supply_ma(air.pump_duty, air.pump.speed, air.valve_drive), 1),
        }

    # ---- over a restart in another process

    def snapshot(self) -> "dict[str, object]":
        """What must not be lost when the unit's process is started anew."""
        air = self.air
        return {
            "faults": self.faults,
            "needle": air.needle.gauge,
            "tip": air.tip_share,
            "supply": air.supply_volts,
            "vacuum": [air.pen_kpa, air.line_kpa, air.pump_kpa],
            "down": self.contacts.down,
            "normally_closed": self.contacts.normally_closed,
            "host": self.keyhost.state,
            "leds": self.keyhost.leds,
            "captured": self.keyhost.captured,
            "drives": self.drives,
        }

    def restore(self, now: int, kept: "dict[str, object]") -> None:
        """Take over a snapshot. A part on the tip is gone: its vacuum went with the power."""
        for name, strength in kept["faults"].items():  # type: ignore[attr-defined]
            self.set_fault(now, name, strength)
        self.set_needle(now, kept["needle"])  # type: ignore[arg-type]
        self.set_tip(now, kept["tip"])  # type: ignore[arg-type]
        self.set_supply(now, kept["supply"])  # type: ignore[arg-type]
        self.air.set_vacuum(*kept["vacuum"])  # type: ignore[misc]
        self._air_us = now
        self.contacts.normally_closed = list(kept["normally_closed"])  # type: ignore[call-overload]
        for pedal, down in enumerate(kept["down"]):  # type: ignore[arg-type, var-annotated]
            self.contacts.move(now, pedal, down, "clean")
        self.keyhost.state = kept["host"]  # type: ignore[assignment]
        self.keyhost.leds = kept["leds"]  # type: ignore[assignment]
        self.keyhost.captured = [(us, report) for us, report in kept["captured"]]  # type: ignore[attr-defined]
        self.drives = kept["drives"]  # type: ignore[assignment]
