"""The RP2040 board under stock MicroPython: the only file that imports `machine`.

Importing it brings the unit up safely: outputs low, wiring checked, keyboard offered to USB. Times are in us on a clock
that wraps at 2**30; duties are 0 to 65535. What the loop calls every pass allocates nothing.
"""

import binascii
import gc
import sys
import time

import machine
import micropython
import rp2
from machine import ADC, PWM, Pin, mem32

import airquill_device
from airquill_device import slot
from airquill_device.console import Console
from airquill_device.knob import Knob
from airquill_device.usbkeys import Keyboard
from airquill_protocol import tables
from airquill_protocol.compat import const

# Source of the addresses: RP2040 data sheet, 2.3.1 SIO, 4.7 watchdog (0x3000 beyond a register clears its bits). The
# RP2350 has the same registers, its watchdog elsewhere; from its SDK's addressmap.h.
_GPIO_IN = const(0xD0000004)
_WATCHDOG = 0x400D8000 if "RP2350" in sys.implementation._machine else 0x40058000
_WATCHDOG_REASON = _WATCHDOG + 0x8
_WATCHDOG_COUNT = _WATCHDOG + 0xC  # the first scratch register
_WATCHDOG_PAUSE = _WATCHDOG + 0x3000
_WATCHDOG_ENABLE = const(1 << 30)

_WIRING_FILE = "/wiring.json"
_WATCHDOG_MS = const(2000)
_HEALTHY_US = const(60000000)
_COUNT_MARK = const(0x41510000)  # over the count, so that what a power-up leaves in the register is no count
_FULL = const(65535)
_LAMP_HZ = const(1000)
_FIRST_HZ = const(25000)
_ERASE = const(6)  # block device request, from MicroPython's vfs.AbstractBlockDev
_SENSOR_REST = const(200)  # questions left unasked after one that the sensor did not answer


class _Contact:
    """A pedal's contact to ground. The interrupt stamps the first edge and disarms itself, against noisy cables."""

    def __init__(self, gpio):
        self.mask = 1 << gpio
        self.edge_us = -1
        self.ticks_us = time.ticks_us
        pin = Pin(gpio, Pin.IN, Pin.PULL_UP)
        self.irq = pin.irq(self._edge, Pin.IRQ_RISING | Pin.IRQ_FALLING, hard=True)

    def _edge(self, _pin):
        self.irq.trigger(0)
        if self.edge_us < 0:
            self.edge_us = self.ticks_us()


class _NoContact:
    """Where no pedal is wired: never closed, never an edge."""

    mask = 0
    edge_us = -1


class Board:
    """The board as the parts see it. Where the wiring file is wrong, `wiring_error` says why and no pin is driven."""

    extensions = slot.FOLDERS[slot.running()] + "/airquill_device/extensions"  # folder of the add-ons
    has_disk = True

    def __init__(self):
        micropython.alloc_emergency_exception_buf(100)
        plan, self.wiring_error = self._read_wiring()
        self._gates = ()
        self._addon_pins = plan.get("addons", {}) if plan else {}
        self._addon_outputs = {}
        if plan:
            self._gates = (plan["pump"], plan["valve"]) + ((plan["blow"],) if "blow" in plan else ())
        self._pump = self._valve = self._blow = None
        self._make_gates_low()
        self.ticks_us = time.ticks_us
        self.ticks_diff = time.ticks_diff
        self.ticks_add = time.ticks_add
        self.build = slot.build()
        self.name = plan["board"] if plan else "unwired"
        self._valve_timer = machine.Timer(-1)
        self._blow_timer = machine.Timer(-1)
        self._pulse_timer = machine.Timer(-1)
        # Bound once: an attribute that names a method makes a new object each time it is looked up.
        self._hold_now = self._on_hold
        self._blow_end = self._on_blow_end
        self._pulse_end = self._on_pulse_end
        self._pump_hz = self._valve_hz = _FIRST_HZ
        self._valve_duty = self._hold_duty = 0
        self._pulse_output = 0
        self._wire_inputs(plan or {})
        console = Console()
        self.serial_read = console.read
        self.serial_write = console.write
        self._keys = Keyboard(machine.USBDevice(), mem32, time.ticks_us)
        self.key_report = self._keys.send
        self.key_host = self._keys.host
        self.key_leds = self._keys.leds
        self.key_mounts = self._keys.mounts
        self._flash = rp2.Flash()
        self._cause, self._timeouts = self._read_cause()
        self._watchdog = None
        self._proven = False
        self._fed_us = 0

    # ---- what the unit is

    def unique_id(self):
        return binascii.hexlify(machine.unique_id()).decode()

    def boot_cause(self):
        return self._cause

    def watchdog_timeouts(self):
        """Watchdog restarts in a row, none followed by a minute of health."""
        return self._timeouts

    def capabilities(self):
        found = ("keyboard", "boot_volume")
        if self._sensor_adc or self._i2c:
            found += ("sensor",)
        if self._supply_adc:
            found += ("supply",)
        if self._lamps:
            found += ("panel",)
        if len(self._gates) > 2:
            found += ("blow",)
        return found

    def free_bytes(self):
        return gc.mem_free()

    def collect(self):
        gc.collect()

    def collect_by_itself(self, on):
        """Whether an allocation that finds no room may stop everything to collect."""
        if on:
            gc.enable()
        else:
            gc.disable()

    # ---- outputs

    def pump_freq(self, hz):
        self._pump_hz = hz
        if self._pump:
            self._pump.freq(hz)

    def pump(self, duty_u16):
        if self._pump or self._attached():
            self._pump.duty_u16(duty_u16)

    def valve_freq(self, hz):
        self._valve_hz = hz
        if self._valve:
            self._valve.freq(hz)

    def valve(self, peak_duty_u16, peak_us, hold_duty_u16):
        """Drive at the peak; a hardware timer goes to the hold, however long the next pass takes."""
        if not self._attached():
            return
        self._valve_timer.deinit()
        self._hold_duty = hold_duty_u16
        self._valve_duty = peak_duty_u16 if peak_us > 0 else hold_duty_u16
        self._valve.duty_u16(self._valve_duty)
        if peak_us > 0:
            self._after(self._valve_timer, peak_us, self._hold_now)

    def valve_off(self):
        self._valve_timer.deinit()
        self._valve_duty = 0
        if self._valve:
            self._valve.duty_u16(0)

    def valve_duty(self):
        return self._valve_duty

    def blow(self, us):
        """One puff of the second valve, ended by a hardware timer; nothing where there is no such valve."""
        if us > 0 and self._attached() and self._blow:
            self._blow_timer.deinit()
            self._blow.value(1)
            self._after(self._blow_timer, us, self._blow_end)

    def pulse(self, output_index, us):
        """Drive one output alone at full strength: 0 pump, 1 valve, 2 blow, 3 bar; a hardware timer ends it."""
        if output_index == 2:
            self.blow(us)
            return
        if not self._attached():
            return
        self._pulse_timer.deinit()
        self._on_pulse_end(None)
        self._pulse_output = output_index
        if output_index == 0:
            self._pump.duty_u16(_FULL)
        elif output_index == 1:
            self._valve_timer.deinit()
            self._valve_duty = _FULL
            self._valve.duty_u16(_FULL)
        else:
            for lamp in self._lamps:
                lamp.duty_u16(_FULL)
        self._after(self._pulse_timer, us, self._pulse_end)

    def safe(self):
        """Pump off, valves off, keys up. The gates become plain outputs: no soft reset can freeze them high."""
        self._valve_timer.deinit()
        self._blow_timer.deinit()
        self._pulse_timer.deinit()
        self._valve_duty = self._hold_duty = 0
        self._make_gates_low()
        for gpio in self._addon_outputs:
            self._addon_outputs[gpio].duty_u16(0)
            Pin(gpio, Pin.OUT, value=0)
        self._addon_outputs.clear()
        self._keys.release()

    def _make_gates_low(self):
        # The duty as well: it would be there again, for a period, when the gates are next put on their PWM.
        for pwm in (self._pump, self._valve):
            if pwm:
                pwm.duty_u16(0)
        for gpio in self._gates:
            Pin(gpio, Pin.OUT, value=0)
        self._pump = self._valve = self._blow = None

    def _attached(self):
        """True when the gates are on their PWM, which they are from the first drive after start or safe() on."""
        if self._pump is None:
            if not self._gates:
                return False
            self._pump = PWM(self._gates[0], freq=self._pump_hz, duty_u16=0)
            self._valve = PWM(self._gates[1], freq=self._valve_hz, duty_u16=0)
            self._blow = Pin(self._gates[2], Pin.OUT, value=0) if len(self._gates) > 2 else None
        return True

    def _after(self, timer, us, call):
        timer.init(mode=machine.Timer.ONE_SHOT, period=us, tick_hz=1000000, callback=call, hard=True)

    def _on_hold(self, _timer):
        self._valve_duty = self._hold_duty
        self._valve.duty_u16(self._hold_duty)

    def _on_blow_end(self, _timer):
        self._blow.value(0)

    def _on_pulse_end(self, _timer):
        if self._pulse_output == 0:
            self._pump.duty_u16(0)
        elif self._pulse_output == 1:
            self._valve_duty = 0
            self._valve.duty_u16(0)
        else:
            for lamp in self._lamps:
                lamp.duty_u16(0)

    # ---- inputs and panel

    def pedals(self):
        """Bit n is set while contact n is closed, bit 8 + n while an edge of it waits for pedal_edge.

        To be asked every pass: the same look at the pins is for the knob.
        """
        # Stamps before levels: a stamp that came after its level was read would be taken for the end of a bounce.
        contacts = self._contacts
        closed = 0x100 if contacts[0].edge_us >= 0 else 0
        if contacts[1].edge_us >= 0:
            closed |= 0x200
        pins = mem32[_GPIO_IN]
        # Spelt out for the two contacts: a loop over them would take as long as all the rest of an idle pass's input.
        if ~pins & self._contact_0:
            closed |= 1
        if ~pins & self._contact_1:
            closed |= 2
        if pins & self._knob_mask != self._knob_pins:
            self._knob_pins = pins & self._knob_mask
            self._knob.follow(pins)
        return closed

    def pedal_edge(self, n):
        """Time of the first edge since last asked, or -1; asking arms the stamp anew."""
        contact = self._contacts[n]
        edge_us = contact.edge_us
        if edge_us >= 0:
            contact.edge_us = -1
            contact.irq.trigger(Pin.IRQ_RISING | Pin.IRQ_FALLING)
        return edge_us

    def sensor_code(self):
        if self._sensor_adc:
            return self._sensor_adc.read_u16() ^ self._sensor_flip
        return self._ask_i2c() if self._i2c else -1

    def supply_code10mv(self):
        return self._supply_adc.read_u16() * self._supply_full >> 16 if self._supply_adc else -1

    def knob(self):
        return self._knob.take() if self._knob else 0

    def knob_down(self):
        return bool(self._knob_push and not mem32[_GPIO_IN] & self._knob_push)

    def bar(self, buf5, brightness_pct):
        i = 0
        for lamp in self._lamps:
            lamp.duty_u16(buf5[i] * 257 * brightness_pct // 100)
            i += 1

    def _ask_i2c(self):
        # Honeywell HSC and ABP series, from memory: two status bits (the lower one set: no measurement), then 14 bits.
        if self._sensor_rest:
            self._sensor_rest -= 1
            return -1
        try:
            self._i2c.readfrom_into(self._i2c_address, self._i2c_bytes)
        except OSError:
            self._sensor_rest = _SENSOR_REST
            return -1
        high = self._i2c_bytes[0]
        return -1 if high & 0x40 else ((high & 0x3F) << 8 | self._i2c_bytes[1]) << 2

    def _wire_inputs(self, plan):
        contacts = [_Contact(gpio) for gpio in plan.get("pedals", ())] + [_NoContact(), _NoContact()]
        self._contacts = (contacts[0], contacts[1])
        self._contact_0 = contacts[0].mask
        self._contact_1 = contacts[1].mask
        sensor = plan.get("sensor", {})
        self._sensor_adc = self._i2c = None
        self._sensor_rest = 0
        if "pin" in sensor:
            self._sensor_adc = ADC(sensor["pin"])
            self._sensor_flip = _FULL if sensor.get("falling") else 0
        elif sensor:
            # A stuck bus may cost one pass a millisecond, then rests.
            self._i2c = machine.I2C(
                sensor["sda"] >> 1 & 1, sda=Pin(sensor["sda"]), scl=Pin(sensor["scl"]), freq=400000, timeout=1000
            )
            self._i2c_address = sensor["address"]
            self._i2c_bytes = bytearray(2)
        supply = plan.get("supply")
        self._supply_adc = ADC(supply["pin"]) if supply else None
        if supply:  # full scale in 10 mV: 3.3 V over the lower part of the divider
            self._supply_full = 330 * (supply["top_ohm"] + supply["bottom_ohm"]) // supply["bottom_ohm"]
        panel = plan.get("panel")
        self._knob = None
        self._knob_push = self._knob_mask = self._knob_pins = 0
        self._lamps = ()
        if panel:
            for name in ("a", "b", "push"):
                Pin(panel[name], Pin.IN, Pin.PULL_UP)
            self._knob = Knob(1 << panel["a"], 1 << panel["b"])
            self._knob_push = 1 << panel["push"]
            self._knob_mask = 1 << panel["a"] | 1 << panel["b"]
            self._lamps = tuple([PWM(gpio, freq=_LAMP_HZ, duty_u16=0) for gpio in panel["lamps"]])

    # ---- add-ons

    def addon_pin(self, addon, name):
        """GPIO that the wiring file gives to an add-on by this name, or -1."""
        return self._addon_pins.get(addon, {}).get(name, -1)

    def addon_output(self, gpio, duty_u16):
        """Drive an add-on's output, at the light bar's frequency."""
        pwm = self._addon_outputs.get(gpio)
        if pwm is None:
            pwm = self._addon_outputs[gpio] = PWM(gpio, freq=_LAMP_HZ, duty_u16=0)
        pwm.duty_u16(duty_u16)

    def addon_input(self, gpio):
        Pin(gpio, Pin.IN, Pin.PULL_UP)

    def addon_level(self, gpio):
        return mem32[_GPIO_IN] >> gpio & 1

    # ---- flash records

    def store_read(self, role, offset, buf):
        self._flash.readblocks(tables.STORE_FIRST_BLOCK + role, buf, offset)

    def store_program(self, role, offset, buf):
        """Clear bits of an erased place: `offset` and length in whole 256-byte pages."""
        self._flash.writeblocks(tables.STORE_FIRST_BLOCK + role, buf, offset)

    def store_erase(self, role):
        self._flash.ioctl(_ERASE, tables.STORE_FIRST_BLOCK + role)

    # ---- life

    def take_console(self):
        """From here on Ctrl-C is a byte like any other."""
        micropython.kbd_intr(-1)

    def watchdog_feed(self):
        """The first call starts the watchdog, so that a unit that cannot load its firmware stays at the prompt."""
        if self._watchdog is None:
            self._watchdog = machine.WDT(timeout=_WATCHDOG_MS)
            self._fed_us = self.ticks_us()
        self._watchdog.feed()
        if not self._proven and self.ticks_diff(self.ticks_us(), self._fed_us) > _HEALTHY_US:
            self._proven = True
            self._timeouts = 0
            mem32[_WATCHDOG_COUNT] = _COUNT_MARK

    def sleep_until(self, ticks):
        us = self.ticks_diff(ticks, self.ticks_us())
        if us > 0:
            time.sleep_us(us)

    def restart(self):
        self.safe()
        machine.reset()

    def boot_volume(self):
        self.safe()
        machine.bootloader()

    def leave(self):
        """Safe state before any prompt; Ctrl-C interrupts again."""
        self.safe()
        micropython.kbd_intr(3)

    def to_prompt(self):
        """Down to the prompt: the SystemExit raised here ends main.py. The watchdog, unfed there, pauses."""
        self.safe()
        mem32[_WATCHDOG_PAUSE] = _WATCHDOG_ENABLE
        raise SystemExit

    def _read_wiring(self):
        from airquill_device import wiring

        try:
            with open(_WIRING_FILE) as file:
                return wiring.read(file.read())
        except (OSError, UnicodeError):
            return None, "The wiring file /wiring.json cannot be read. Send one."
        finally:
            # Asked once a start: its code need not stay in memory.
            del sys.modules["airquill_device.wiring"]
            del airquill_device.wiring

    def _read_cause(self):
        # The reason outlives a soft reset, which has none of its own; only a real start comes this early.
        if time.ticks_diff(time.ticks_ms(), 0) > 1500:
            return "restart", mem32[_WATCHDOG_COUNT] & 0xFFFF
        reason = mem32[_WATCHDOG_REASON] & 3
        count = mem32[_WATCHDOG_COUNT]
        timeouts = (count & 0xFFFF if count & -65536 == _COUNT_MARK else 0) + 1 if reason & 1 else 0
        mem32[_WATCHDOG_COUNT] = _COUNT_MARK | timeouts
        return ("watchdog" if reason & 1 else "restart" if reason else "power"), timeouts


board = Board()
