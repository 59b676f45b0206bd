"""A board made of physics: what device/airquill_device/board.py offers, over a World instead of pins."""

import gc

from .contacts import Contacts
from .faults import slot_share
from .flash import PAGE_BYTES, Flash
from .wire import Noisy
from .world import World

TYPE_CHECKING = False
if TYPE_CHECKING:
    from .ports import Clock, Line

FULL = 65535
TICKS_MASK = 0x3FFFFFFF
TICKS_HALF = 0x20000000
TICKS_AT_START = TICKS_MASK - 4999  # the wrap comes 5 ms after the start, so that nothing lives without meeting it
WATCHDOG_US = 2000000
HEALTHY_US = 60000000
MOUNT_US = 5000  # from start to the host's first poll; chosen, real hosts take longer
BOOT_FREE_BYTES = 150000  # reported where the interpreter has no limit of its own
FAULT_SLOT_US = 1000000
# With nothing going on for this long the loop may be called less often: nothing in it waits for a shorter time.
QUIET_US = 6000000
SKIP_US = 50000


class Reset(BaseException):
    """The chip starts anew. `cause` is what boot_cause() will say then; nothing in the firmware can catch a reset."""

    def __init__(self, cause: str) -> None:
        self.cause = cause


class VirtualBoard:
    """One power-up or restart of a unit: made anew at each, over the same world and flash.

    `clock` has now(), spend(us) and wait_until(us) in microseconds; `wire` has read, waiting, room and write.
    `parts` are capability words. `first_block` is where the store begins in the flash.
    `build` is the hash of the firmware's files, where they were built.
    """

    name = "virtual"
    wiring_error = ""
    extensions = "/airquill_device/extensions"
    has_disk = False  # launcher.py mounts one

    def __init__(
        self,
        world: World,
        flash: Flash,
        clock: "Clock",
        wire: "Line",
        first_block: int,
        parts: "tuple[str, ...]" = ("sensor", "supply", "panel", "keyboard"),
        build: str = "source",
        cause: str = "power",
        timeouts: int = 0,
    ) -> None:
        self.build = build
        self.world = world
        self.flash = flash
        self.clock = clock
        self.wire = wire
        self.timeouts = timeouts
        self.fed_us = -1
        self.active_us = clock.now()
        self.lamps = bytearray(5)
        self.brightness_pct = 0
        self.bar_pulse = 0  # duty of all lamps, over their own, while they are pulsed
        self.pump_hz = 0
        self.valve_hz = 0
        self.pump_duty = 0
        self.addon_pins: "dict[str, int]" = {}  # what add-ons have asked for: "grip_lamp.lamp" to its number
        self.addon_duties: "dict[int, int]" = {}
        self._now = clock.now
        self._first_block = first_block
        self._parts = tuple(parts)
        self._cause = cause
        self._start_us = self._now()
        self._edges = [-1] * Contacts.COUNT
        self._levels = [world.contacts.closed(self._start_us, n, False) for n in range(Contacts.COUNT)]
        self._blind_until = 0
        self._valve_duty = 0
        self._valve_hold = 0
        self._peak_end = -1
        self._blow_end = -1
        self._pulses: "list[tuple[int, int, int]]" = []  # end in us, output, duty to go back to
        self._pass_us = -1
        self._in = Noisy(world.faults, world.noise)
        self._held = b""  # came in, not yet asked for
        world.keyhost.attach(self._start_us + MOUNT_US)
        self._apply()

    # ---- time

    def ticks_us(self) -> int:
        """Microseconds, wrapping at 2**30."""
        return (self._now() - self._start_us + TICKS_AT_START) & TICKS_MASK

    def ticks_diff(self, a: int, b: int) -> int:
        """a - b, for stamps less than 2**29 us apart."""
        return ((a - b + TICKS_HALF) & TICKS_MASK) - TICKS_HALF

    def ticks_add(self, a: int, d: int) -> int:
        """A stamp d us later."""
        return (a + d) & TICKS_MASK

    def quiet_us(self, next_pass_us: int) -> int:
        """How long the loop may sleep beyond its next pass with nothing lost, in us; 0 while something goes on."""
        world = self.world
        contacts = world.contacts
        if (
            self._now() - self.active_us < QUIET_US
            or self._valve_duty
            or self.wire.waiting()
            or not world.keyhost.idle()
            or contacts.unsteady()
            or True in contacts.down
        ):
            return 0
        due = contacts.next_us()
        return SKIP_US if due < 0 else max(0, min(SKIP_US, due - next_pass_us))

    def sleep_until(self, ticks: int) -> None:
        """Idle to the next pass."""
        us = self.ticks_diff(ticks, self.ticks_us())
        if us > WATCHDOG_US:
            self.clock.wait_until(self._now() + WATCHDOG_US)
            raise Reset("watchdog")
        if us > 0:
            self.clock.wait_until(self._now() + us)

    # ---- what it is

    def unique_id(self) -> str:
        """16 hex digits that follow from the seed."""
        return "%08x%08x" % (0x51A1AB1E, self.world.seed & 0xFFFFFFFF)

    def boot_cause(self) -> str:
        """power, restart or watchdog."""
        return self._cause

    def watchdog_timeouts(self) -> int:
        """Timeouts in a row before this start."""
        return self.timeouts

    def capabilities(self) -> "tuple[str, ...]":
        """Words of the registry for the parts that are fitted."""
        return self._parts

    def free_bytes(self) -> int:
        """Free memory; a constant where the interpreter has no limit."""
        return gc.mem_free() if hasattr(gc, "mem_free") else BOOT_FREE_BYTES

    def collect(self) -> None:
        """Collect garbage where that is what frees memory: on an interpreter with a heap of its own."""
        if hasattr(gc, "mem_free"):
            gc.collect()

    def collect_by_itself(self, on: bool) -> None:
        """Automatic garbage collection on or off: nothing to gain here."""

    # ---- outputs

    def _apply(self) -> None:
        now = self._now()
        valve = self._valve_duty / FULL
        self.world.drive(now, self.pump_duty / FULL, valve, 1 if self._blow_end > now else 0)

    def _run_timers(self) -> None:
        """End what the hardware timers have ended by now, each at its own moment."""
        now = self._now()
        while True:
            due = -1
            for end in [self._peak_end, self._blow_end] + [pulse[0] for pulse in self._pulses]:
                if end >= 0 and end <= now and (due < 0 or end < due):
                    due = end
            if due < 0:
                return
            if self._peak_end == due:
                self._peak_end = -1
                self._valve_duty = self._valve_hold
            if self._blow_end == due:
                self._blow_end = -1
            for pulse in [p for p in self._pulses if p[0] == due]:
                self._pulses.remove(pulse)
                self._set_output(pulse[1], pulse[2])
            self.world.drive(due, self.pump_duty / FULL, self._valve_duty / FULL, 1 if self._blow_end > due else 0)

    def _set_output(self, output: int, duty: int) -> None:
        if output == 0:
            self.pump_duty = duty
        elif output == 1:
            self._valve_duty = duty
            self._peak_end = -1
        else:
            self.bar_pulse = duty

    def _touch(self) -> None:
        self._run_timers()
        self.active_us = self._now()

    def pump_freq(self, hz: int) -> None:
        """Switching frequency of the pump."""
        self.pump_hz = hz

    def pump(self, duty_u16: int) -> None:
        """Duty of the pump."""
        self._touch()
        self.pump_duty = duty_u16
        self._apply()

    def valve_freq(self, hz: int) -> None:
        """Switching frequency of the valve."""
        self.valve_hz = hz

    def valve(self, peak_duty_u16: int, peak_us: int, hold_duty_u16: int) -> None:
        """Pull in at the peak duty, then hold."""
        self._touch()
        self._valve_duty = peak_duty_u16
        self._valve_hold = hold_duty_u16
        self._peak_end = self._now() + peak_us
        self._apply()

    def valve_off(self) -> None:
        """Let the valve vent."""
        self._touch()
        self._valve_duty = 0
        self._peak_end = -1
        self._apply()

    def blow_duty(self) -> int:
        """Duty of the second valve now."""
        return FULL if self._blow_end > self._now() else 0

    def valve_duty(self) -> int:
        """Duty of the valve now."""
        self._run_timers()
        return self._valve_duty

    def blow(self, us: int) -> None:
        """One puff, where the second valve is fitted."""
        if "blow" in self._parts:
            self._touch()
            self._blow_end = self._now() + us
            self._apply()

    def pulse(self, output_index: int, us: int) -> None:
        """Drive one output alone: 0 pump, 1 valve, 2 blow, 3 bar."""
        self._touch()
        if output_index == 2:
            self.blow(us)
        else:
            before = (self.pump_duty, self._valve_duty, 0, 0)[output_index]
            self._pulses.append((self._now() + us, output_index, before))
            self._set_output(output_index, FULL)
            self._apply()

    def safe(self) -> None:
        """Gates low."""
        self._run_timers()
        self.pump_duty = 0
        self._valve_duty = 0
        self._peak_end = self._blow_end = -1
        self._pulses.clear()
        self.bar_pulse = 0
        self.addon_duties.clear()
        self._apply()

    # ---- inputs

    def _look(self) -> None:
        """Once a moment: let contacts and timers catch up, stamp first edges."""
        now = self._now()
        if now == self._pass_us:
            return
        self._pass_us = now
        self._run_timers()
        contacts = self.world.contacts
        while True:
            edge = contacts.next_edge(now)
            if edge is None:
                break
            us, pedal = edge
            self.active_us = now
            if self._edges[pedal] < 0:
                late = us if us > self._blind_until else self._blind_until
                self._edges[pedal] = (late - self._start_us + TICKS_AT_START) & TICKS_MASK
            self._levels[pedal] = contacts.closed(now, pedal, self.pump_duty > 0)
        if contacts.unsteady():
            for pedal in range(Contacts.COUNT):
                level = contacts.closed(now, pedal, self.pump_duty > 0)
                if level != self._levels[pedal] or contacts.glitches(self.pump_duty > 0):
                    self._levels[pedal] = level
                    self.active_us = now
                    if self._edges[pedal] < 0:
                        self._edges[pedal] = self.ticks_us()

    def refresh_contacts(self) -> None:
        """A contact was wired another way: its level is read anew."""
        now = self._now()
        for pedal in range(Contacts.COUNT):
            self._levels[pedal] = self.world.contacts.closed(now, pedal, self.pump_duty > 0)

    def pedals(self) -> int:
        """Bit n: contact n is closed; bit 8 + n: an edge of it waits for pedal_edge."""
        self._look()
        pins = (1 if self._levels[0] else 0) | (2 if self._levels[1] else 0)
        if self._edges[0] >= 0:
            pins |= 0x100
        return pins | 0x200 if self._edges[1] >= 0 else pins

    def pedal_edge(self, n: int) -> int:
        """Stamp of the first edge since last asked, or -1."""
        self._look()
        edge = self._edges[n]
        self._edges[n] = -1
        return edge

    def sensor_code(self) -> int:
        """0 to 65535, or -1 without a sensor."""
        if "sensor" not in self._parts:
            return -1
        self._run_timers()
        self.world.settle(self._now())
        return self.world.sensor.code()

    def supply_code10mv(self) -> int:
        """Supply in 10 mV, or -1 where it is not measured."""
        if "supply" not in self._parts:
            return -1
        return int(self.world.air.supply_now * 100.0 + self.world.noise.normal() * 0.5 + 0.5)

    def knob(self) -> int:
        """Clicks since last asked."""
        steps = self.world.knob_steps
        self.world.knob_steps = 0
        return steps

    def knob_down(self) -> bool:
        """True while the knob is pushed."""
        return self.world.knob_down

    def bar(self, buf5: "bytes | bytearray", brightness_pct: int) -> None:
        """Light the bar."""
        self.lamps[:] = buf5
        self.brightness_pct = brightness_pct

    # ---- keyboard

    def key_report(self, buf8: "bytes | bytearray") -> bool:
        """True when the report was queued."""
        if "keyboard" not in self._parts or not self.world.keyhost.offer(self._now(), buf8):
            return False
        self.active_us = self._now()
        return True

    def key_host(self) -> int:
        """0 absent, 1 asleep, 2 ready."""
        return self.world.keyhost.look(self._now()) if "keyboard" in self._parts else 0

    def key_leds(self) -> int:
        """The host's lock lights, as bits."""
        return self.world.keyhost.leds

    def key_mounts(self) -> int:
        """How often the host came or woke since the start."""
        self.world.keyhost.look(self._now())
        return self.world.keyhost.mounts

    # ---- serial line

    def serial_read(self, buf: "bytearray") -> int:
        """Bytes copied; never waits."""
        if not self._held:
            if not self.wire.waiting():
                return 0
            self._held = self._in(self.wire.read(len(buf)))
        n = min(len(buf), len(self._held))
        buf[:n] = self._held[:n]
        self._held = self._held[n:]
        self.active_us = self._now()
        return n

    def serial_write(self, buf: "bytes | bytearray", start: int, n: int) -> int:
        """Bytes taken; never waits."""
        unread = self.world.faults["serial_unread"]
        if unread and slot_share(self.world.seed + 3, self._now() // FAULT_SLOT_US) < unread:
            return 0
        n = min(n, self.wire.room())
        if n > 0:
            sent = self._in(bytes(buf[start : start + n]))
            self.wire.write(sent)
            self.active_us = self._now()
        return max(n, 0)

    # ---- add-ons: there is every pin that they ask for

    def addon_pin(self, addon: str, name: str) -> int:
        """A pin's number."""
        key = "%s.%s" % (addon, name)
        if key not in self.addon_pins:
            self.addon_pins[key] = len(self.addon_pins)
        return self.addon_pins[key]

    def addon_output(self, gpio: int, duty_u16: int) -> None:
        """Drive an add-on's output."""
        if self.addon_duties.get(gpio) != duty_u16:
            self.addon_duties[gpio] = duty_u16
            self.active_us = self._now()

    def addon_input(self, gpio: int) -> None:
        """Nothing is connected there, so it stays pulled up."""

    def addon_level(self, gpio: int) -> int:
        """1: pulled up."""
        return 1

    # ---- flash records

    def _blind(self) -> None:
        """Interrupts were off up to now: edges of that time are stamped now."""
        self._blind_until = self._now()

    def store_read(self, role: int, offset: int, buf: "bytearray") -> None:
        """Read a record block."""
        self.flash.read(self._first_block + role, offset, buf)

    def store_program(self, role: int, offset: int, buf: "bytes | bytearray") -> None:
        """Clear bits of a record block, in whole pages."""
        if offset % PAGE_BYTES:
            raise ValueError("records start at a page")
        self.flash.program(self._first_block + role, offset, buf)
        self._blind()

    def store_erase(self, role: int) -> None:
        """Erase a record block."""
        self.flash.erase(self._first_block + role)
        self._blind()

    # ---- life

    def take_console(self) -> None:
        """Ctrl-C is a byte like any other here."""

    def leave(self) -> None:
        """Safe state before any prompt."""
        self.safe()

    def to_prompt(self) -> None:
        """Down to the prompt."""
        self.safe()
        raise SystemExit

    def watchdog_feed(self) -> None:
        """The first call starts the watchdog."""
        self.fed_us = self._now()
        if self.fed_us - self._start_us > HEALTHY_US:
            self.timeouts = 0

    def restart(self) -> None:
        """Start anew."""
        self.safe()
        raise Reset("restart")

    def boot_volume(self) -> None:
        """Start as a drive that takes a firmware file."""
        self.safe()
        raise Reset("boot_volume")
