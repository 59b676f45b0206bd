"""A board and an app as plain as they can be, for the parts alone: virtual time, scripted inputs, recorded outputs.

Runs on CPython and on MicroPython. Time wraps at 2**30 us as on the chip, and starts just before the wrap.
"""

from airquill_device.cycle import Cycle
from airquill_device.keyboard import Keyboard
from airquill_device.panel import Panel
from airquill_device.pedal import Pedal
from airquill_device.pump import Pump
from airquill_device.sensor import Sensor
from airquill_device.valve import Valve
from airquill_protocol import settings
from airquill_protocol import tables as t

WRAP = 1 << 30
PASS_US = 1000
JUST_BEFORE_WRAP = WRAP - 50_000
# Code of a vacuum in hundredths of a kPa, with the default zero and span.
ZERO_CODE = 3277
SPAN_KPA = 10880


def code_of(kpa):
    return ZERO_CODE + (kpa * 65536 + SPAN_KPA // 2) // SPAN_KPA


class FakeBoard:
    def __init__(self, start=JUST_BEFORE_WRAP, capabilities=("sensor", "panel", "blow", "keyboard")):
        self.now = start
        self.elapsed = 0
        self._capabilities = capabilities
        self.closed = 0
        self._edges = [-1, -1]
        self._moves = []
        self.code = ZERO_CODE
        self.pump_duty = 0
        self.pump_hz = 0
        self.valve_hz = 0
        self.valve_call = None
        self.blown_us = 0
        self.outputs = []
        self.host = 2
        self.mounts = 1
        self.host_reads = True
        self.reports = []
        self.steps = 0
        self.pushed = False
        self.lamps = bytearray(5)
        self.brightness = 0

    def pass_on(self, us):
        """Time goes on; contact changes that fall into it happen, with a stamp for the first edge."""
        self.elapsed += us
        self.now = (self.now + us) % WRAP
        while self._moves and self._moves[0][0] <= self.elapsed:
            at, n, closed = self._moves.pop(0)
            if bool(self.closed >> n & 1) != closed:
                self.closed ^= 1 << n
                if self._edges[n] < 0:
                    self._edges[n] = (self.now - (self.elapsed - at)) % WRAP

    def move(self, n, closed, after_us=0):
        """Contact n closes or opens after so many us from now; moves are named in their order."""
        self._moves.append((self.elapsed + after_us, n, bool(closed)))
        self._moves.sort()

    # the clock

    def ticks_us(self):
        return self.now

    def ticks_diff(self, a, b):
        diff = a - b
        if diff >= WRAP >> 1:
            return diff - (WRAP - 1) - 1
        if diff < -(WRAP >> 1):
            return diff + (WRAP - 1) + 1
        return diff

    def ticks_add(self, a, d):
        return (a + d) % WRAP

    # outputs

    def pump_freq(self, hz):
        self.pump_hz = hz

    def pump(self, duty_u16):
        self.pump_duty = duty_u16
        self.outputs.append(("pump", self.elapsed, duty_u16))

    def valve_freq(self, hz):
        self.valve_hz = hz

    def valve(self, peak_duty_u16, peak_us, hold_duty_u16):
        self.valve_call = (peak_duty_u16, peak_us, hold_duty_u16)
        self.outputs.append(("valve", self.elapsed, peak_duty_u16))

    def valve_off(self):
        self.valve_call = None
        self.outputs.append(("valve", self.elapsed, 0))

    def blow(self, us):
        self.blown_us = us
        self.outputs.append(("blow", self.elapsed, us))

    def bar(self, buf5, brightness_pct):
        for i in range(5):
            self.lamps[i] = buf5[i]
        self.brightness = brightness_pct

    # inputs

    def capabilities(self):
        return self._capabilities

    def pedals(self):
        pins = self.closed
        for n in range(2):
            if self._edges[n] >= 0:
                pins |= 0x100 << n
        return pins

    def pedal_edge(self, n):
        edge = self._edges[n]
        self._edges[n] = -1
        return edge

    def sensor_code(self):
        return self.code

    def knob(self):
        steps = self.steps
        self.steps = 0
        return steps

    def knob_down(self):
        return self.pushed

    def key_host(self):
        return self.host

    def key_mounts(self):
        return self.mounts

    def key_report(self, buf8):
        if not self.host_reads or self.host != 2:
            return False
        self.reports.append((self.elapsed, bytes(buf8)))
        return True


class Unit:
    """The parts over one fake board; `events` are (topic, a, b, c), `notices` the numbers that are on."""

    def __init__(self, board=None):
        self.board = board or FakeBoard()
        self.values = settings.default_values()
        self.events = []
        self.notices = []
        self.stopped = False
        self.fault_number = 0
        self.cause_remains = False
        self.wants_edges = False
        self.pump = Pump(self)
        self.valve = Valve(self)
        self.sensor = Sensor(self)
        self.keyboard = Keyboard(self)
        self.cycle = Cycle(self)
        self.pedals = (Pedal(self, 0), Pedal(self, 1))
        self.panel = Panel(self)
        self._second_us = 0
        self._turn = 0
        self.configure()
        # What is pressed by now was held at the start.
        self.run(1)

    def configure(self):
        for part in (self.pump, self.valve, self.sensor, self.keyboard, self.cycle):
            part.configure()
        self.pedals[0].configure()
        self.pedals[1].configure()
        self.panel.configure()

    # what the parts ask of the app

    def emit(self, topic, a=0, b=0, c=0):
        self.events.append((topic, a, b, c))

    def emit_report(self, report, us):
        self.events.append((t.T_KEY, bytes(report), us, 0))

    def notice(self, number, on):
        if on and number not in self.notices:
            self.notices.append(number)
        elif not on and number in self.notices:
            self.notices.remove(number)

    def fault(self, number):
        if self.stopped:
            return
        self.stopped = True
        self.fault_number = number
        for part in (self.pump, self.valve, self.cycle, self.pedals[0], self.pedals[1], self.keyboard):
            part.safe()

    def clear(self):
        if self.cause_remains:
            return False
        self.stopped = False
        self.fault_number = 0
        self.cycle.clear()
        return True

    # time

    def tick(self):
        now = self.board.ticks_us()
        pins = self.board.pedals()
        self.pedals[0].tick(now, pins)
        self.pedals[1].tick(now, pins)
        self._turn = (self._turn + 1) & 15
        if self._turn & 3 == 0:
            self.sensor.tick(now)
        elif self._turn == 1:
            self.panel.tick(now)
        elif self._turn == 9:
            self.panel.paint()
        elif self._turn == 10:
            self.panel.show()
        self.cycle.tick(now)
        self.keyboard.tick(now)
        self.pump.tick(now)

    def run(self, ms):
        """So many passes of 1 ms."""
        for _ in range(ms):
            self.board.pass_on(PASS_US)
            self.tick()
            self._second_us += PASS_US
            if self._second_us >= 1_000_000:
                self._second_us = 0
                self.second()

    def second(self):
        self.pump.second()
        self.pedals[0].second()
        self.pedals[1].second()
        self.sensor.second()

    # what tests ask

    def press(self, n=0, ms=60):
        """A clean press and release of pedal n, and what follows in the next 30 ms."""
        self.board.move(n, True)
        self.run(ms)
        self.board.move(n, False)
        self.run(30)

    def set(self, slot, value):
        self.values[slot] = value
        self.configure()

    def set_pedal(self, n, offset, value):
        self.set(t.PEDALN + n * t.PEDALN_SIZE + offset, value)

    def topics(self, topic):
        return [event[1:] for event in self.events if event[0] == topic]
