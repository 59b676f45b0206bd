"""What the control channel can ask of a virtual unit: one table for the socket and for the host's own process.

docs/virtual-unit.md describes each. A bad request raises ValueError with a sentence.
"""

from .board import VirtualBoard
from .keyhost import STATES


class Desk:
    """Runs commands on one board and its world."""

    def __init__(self, board: VirtualBoard) -> None:
        self.board = board
        self.world = board.world

    def run(self, command: str, arguments: "dict[str, object]") -> object:
        """Result of a command, as JSON can carry it. ValueError when it is unknown or its arguments are wrong."""
        method = getattr(self, "do_" + command, None)
        if method is None:
            raise ValueError("no command is called %s" % command)
        self.board.active_us = self._now()
        try:
            return method(**arguments)
        except TypeError:
            pass
        raise ValueError("%s does not take these arguments: %s" % (command, ", ".join(sorted(arguments)) or "none"))

    def _now(self) -> int:
        return self.board.clock.now()

    def do_press(self, pedal: int, ms: "int | None" = None, bounce: "str | list[int]" = "typical") -> int:
        """Foot down on pedal 1 or 2; with `ms` it comes up again after that time. Returns when, in us."""
        now = self._now()
        how = bounce if isinstance(bounce, str) else tuple(bounce)
        self.world.contacts.move(now, pedal - 1, True, how)
        if ms is not None:
            self.world.contacts.move(now + ms * 1000, pedal - 1, False, how)
        return now

    def do_release(self, pedal: int, bounce: "str | list[int]" = "typical") -> int:
        """Foot up. Returns when, in us."""
        now = self._now()
        self.world.contacts.move(now, pedal - 1, False, bounce if isinstance(bounce, str) else tuple(bounce))
        return now

    def do_contact(self, pedal: int, normally_closed: bool) -> None:
        """Fit a pedal whose contact is closed at rest, or open."""
        if pedal not in (1, 2):
            raise ValueError("there are pedals 1 and 2")
        self.world.contacts.normally_closed[pedal - 1] = bool(normally_closed)
        self.board.refresh_contacts()

    def do_knob(self, steps: int) -> None:
        """Turn the knob, clockwise positive."""
        self.world.knob_steps += steps

    def do_knob_push(self, down: bool) -> None:
        """Push the knob or let it go."""
        self.world.knob_down = bool(down)

    def do_tip(self, state: "str | float") -> None:
        """open, sealed, or the share of the needle that stays open, 0 to 1."""
        self.world.set_tip(self._now(), state)

    def do_needle(self, gauge: int) -> None:
        """Fit a needle."""
        self.world.set_needle(self._now(), gauge)

    def do_touch(self, size_mm: "list[float]", mass_mg: float) -> None:
        """Put the tip on a loose part."""
        self.world.touch(self._now(), size_mm, mass_mg)

    def do_lift(self) -> bool:
        """Take the tip up; true when the part comes along."""
        return self.world.lift(self._now())

    def do_place(self, tack_kpa: float = 0.0) -> None:
        """Set the held part down, in paste of that tack."""
        self.world.place(self._now(), tack_kpa)

    def do_fault(self, name: str, strength: float) -> None:
        """Give a fault a strength of 0 to 1."""
        self.world.set_fault(self._now(), name, strength)
        if name == "flash_wear":
            self.board.flash.worn = float(strength)
        elif name == "erase_stall":
            self.board.flash.stall = float(strength)

    def do_faults(self) -> "dict[str, float]":
        """All faults with their strengths."""
        return dict(self.world.faults)

    def do_supply(self, volts: float) -> None:
        """Set the supply voltage."""
        self.world.set_supply(self._now(), volts)

    def do_key_host(self, state: str) -> None:
        """absent, asleep, ready, or deaf (ready, but takes no report)."""
        if state not in STATES:
            raise ValueError("no computer is called %s; there are %s" % (state, ", ".join(STATES)))
        self.world.keyhost.look(self._now())
        self.world.keyhost.state = state

    def do_leds(self, bits: int) -> None:
        """Lock lights, as the host sets them."""
        self.world.keyhost.leds = bits

    def do_reports(self, first: int = 0) -> "list[list[object]]":
        """Keyboard reports from number `first` on: when the host took it, in us, and its eight bytes in hex."""
        self.world.keyhost.look(self._now())
        return [[us, report] for us, report in self.world.keyhost.captured[first:]]

    def do_lights(self) -> "dict[str, object]":
        """The light bar: five lamps of 0 to 255, brightness in percent."""
        return {"lamps": list(self.board.lamps), "brightness_pct": self.board.brightness_pct}

    def do_outputs(self) -> "dict[str, int]":
        """What the unit drives: duties of 0 to 65535, frequencies in Hz; `bar` only while it is pulsed; outputs of
        add-ons as `x.ADDON.PIN`."""
        b = self.board
        driven = {"pump": b.pump_duty, "valve": b.valve_duty(), "blow": b.blow_duty(), "bar": b.bar_pulse}
        driven["pump_hz"] = b.pump_hz
        driven["valve_hz"] = b.valve_hz
        for name in b.addon_pins:
            driven["x." + name] = b.addon_duties.get(b.addon_pins[name], 0)
        return driven

    def do_record_drives(self, on: bool) -> None:
        """Begin to record each change of pump and valve anew, or end it."""
        air = self.world.air
        self.world.drives = [[self._now(), air.pump_duty, air.valve_drive]] if on else None

    def do_drives(self) -> "list[list[float]]":
        """What was recorded, the state at its start first: us, and the pump's and the valve's share of full drive."""
        self.board.valve_duty()  # ends what timers have ended
        return list(self.world.drives or [])

    def do_truth(self) -> "dict[str, float | str]":
        """Real pressures and flows, not the sensor's."""
        return self.world.truth(self._now())

    def do_snapshot(self) -> "dict[str, object]":
        """All of the world that must outlive a power cut."""
        return self.world.snapshot()

    def do_clock(self) -> int:
        """Microseconds since the world began."""
        return self._now()

    def do_flash(self) -> "dict[str, int]":
        """Writes since the unit got its flash, and erases of the block that had most."""
        erases = self.board.flash.erases
        return {"writes": self.board.flash.writes, "most_erases": max(erases.values()) if erases else 0}

    def do_cut_at_write(self, n: int) -> None:
        """Cut the power in the middle of the n-th flash write from now; 0 takes that back."""
        if n < 0:
            raise ValueError("writes are counted from 1; 0 takes a cut back")
        self.board.flash.cut_in = n
