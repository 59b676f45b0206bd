"""The rig's RP2040 board: the only file of it that touches the chip. Pins are those of docs/rig.md."""

import binascii
import time

import machine
import rp2
from machine import ADC, Pin

from airquill_device.console import Console
from airquill_rig import programs, words

PEDALS = (2, 3)
GATES = (6, 7)
POWER = 10
SEAL = 11
ORIFICE = 12
VOLTS, CURRENT, VACUUM = 26, 27, 28

_GATE_HZ = 62500000  # two instructions a look: 32 ns, 0.08 % of a period at 25 kHz
_PLAY_HZ = 1000000
_MOST_CHANGES = 400
_CHANGED = 30  # hundredths of a percent
# A gate without an edge for this long is steady; at 5 kHz a period is 200 us.
_STEADY_US = 400
# 10 kohm and 3.3 kohm for 12 V; 0.05 ohm and a gain of 20: 1 V is 1 A; a sensor as the unit's own.
_VOLTS_10MV_FULL = 1330
_MA_FULL = 3300
_ZERO_CODE = 3277
_SPAN_10PA = 10880


class Gate:
    """One gate of the unit: its levels are timed by PIO, its first rise by an interrupt."""

    def __init__(self, number, gpio):
        self.pin = Pin(gpio, Pin.IN, Pin.PULL_DOWN)
        self.sm = rp2.StateMachine(number, programs.gate, freq=_GATE_HZ, in_base=self.pin, jmp_pin=self.pin)
        self.sm.active(1)
        self.hz = 0
        self.duty = 0
        self.rose_us = -1
        self._high = 0
        self._low = 0
        self._seen_us = time.ticks_us()
        self.pin.irq(self._rise, Pin.IRQ_RISING, hard=True)

    def _rise(self, pin):
        self.rose_us = time.ticks_us()
        pin.irq(None)

    def arm(self):
        """Stamp the next rise."""
        self.rose_us = -1
        self.pin.irq(self._rise, Pin.IRQ_RISING, hard=True)

    def look(self, now):
        """Take what the program measured since the last look."""
        n = self.sm.rx_fifo()
        if n:
            self._seen_us = now
        for _ in range(n):
            level, cycles = words.lasted(self.sm.get() & 0xFFFFFFFF)
            if level:
                self._high = cycles
            else:
                self._low = cycles
        if time.ticks_diff(now, self._seen_us) > _STEADY_US:
            self.hz = 0
            self.duty = 10000 if self.pin.value() else 0
            self._high = self._low = 0
        elif self._high and self._low:
            period = self._high + self._low
            self.hz = (_GATE_HZ + period // 2) // period
            self.duty = (self._high * 10000 + period // 2) // period


class Board:
    """What rig.py asks for. Outputs are low, so pedals are up, at the start."""

    def __init__(self):
        self._console = Console()
        self._power = Pin(POWER, Pin.OUT, value=0)
        self._seal = Pin(SEAL, Pin.OUT, value=0)
        self._orifice = Pin(ORIFICE, Pin.OUT, value=0)
        self._players = []
        for n in range(2):
            player = rp2.StateMachine(4 + n, programs.play, freq=_PLAY_HZ, out_base=Pin(PEDALS[n], Pin.OUT, value=0))
            player.active(1)
            self._players.append(player)
        self._waiting = ([], [])
        self._gates = (Gate(0, GATES[0]), Gate(1, GATES[1]))
        self._adc = (ADC(VOLTS), ADC(CURRENT), ADC(VACUUM))
        self._changes = None

    def ticks_us(self):
        return time.ticks_us()

    def ticks_diff(self, a, b):
        return time.ticks_diff(a, b)

    def unique_id(self):
        return binascii.hexlify(machine.unique_id()).decode()

    def capabilities(self):
        return ("gates", "presses", "meter", "reference", "power", "tip")

    def serial_read(self, buf):
        return self._console.read(buf)

    def serial_write(self, buf, start, n):
        return self._console.write(buf, start, n)

    def tick(self, us):
        """Feed the players, look at the gates, note what changed."""
        self._feed(0)
        self._feed(1)
        now = time.ticks_us()
        pump, valve = self._gates
        pump.look(now)
        valve.look(now)
        changes = self._changes
        if changes is None or len(changes) >= _MOST_CHANGES:
            return
        _, was_pump, was_valve = changes[-1]
        if self._differ(pump.duty, was_pump) or self._differ(valve.duty, was_valve):
            at = us
            for gate, was in ((pump, was_pump), (valve, was_valve)):
                if gate.duty and not was and gate.rose_us >= 0:
                    at = us - time.ticks_diff(now, gate.rose_us)
                elif was and not gate.duty:
                    at = us - _STEADY_US
                    gate.arm()
            changes.append((at, pump.duty, valve.duty))

    def _feed(self, n):
        waiting = self._waiting[n]
        while waiting and self._players[n].tx_fifo() < 8:
            self._players[n].put(waiting.pop(0))

    def _differ(self, duty, was):
        return abs(duty - was) > _CHANGED or (duty == 0) != (was == 0)

    def gate(self, n):
        """(Hz, hundredths of a percent)."""
        return self._gates[n].hz, self._gates[n].duty

    def record(self, us):
        self._changes = [(us, self._gates[0].duty, self._gates[1].duty)]
        for gate in self._gates:
            gate.arm()

    def changes(self):
        return self._changes or []

    def press(self, n, levels):
        """Play words of press_words on a pedal's contact."""
        self._waiting[n].extend(levels)
        self._feed(n)

    def let_go(self):
        for n in range(2):
            self._waiting[n].clear()
            self._players[n].restart()
            self._players[n].put(0)

    def tip(self, state):
        """0 open, 1 sealed, 2 through the orifice."""
        self._seal.value(state != 0)
        self._orifice.value(state == 2)

    def power(self, on):
        self._power.value(on)

    def supply_10mv(self):
        return self._adc[0].read_u16() * _VOLTS_10MV_FULL // 65535

    def supply_ma(self):
        return self._adc[1].read_u16() * _MA_FULL // 65535

    def vacuum_10pa(self):
        return (self._adc[2].read_u16() - _ZERO_CODE) * _SPAN_10PA // 65536
