"""Two short cuts that make the emulator several times faster without moving what the bench measures.

Waiting: MicroPython's `sleep_us` reads the timer in a tight loop. Its count changes once a microsecond, so once such a
loop is recognised, each read moves time on to the next count; interrupts and alarms on the way still fall when due.

PWM: rp2040py toggles pins three times a period, 75,000 times a second at 25 kHz. A slice stays quiet until somebody
asks for its edges: registers are exact, a new compare value takes hold at once instead of at the period's end, and the
pin shows high only while the output is fully on.
"""

from rp2040py.peripherals.pwm import PWMChannel
from rp2040py.peripherals.timer import RPTimer
from rp2040py.rp2040 import RP2040

TIMERAWL = 0x28
TIMER_PAGE = 0x40054
COUNT_NS = 1000.0
# In the loop, reads are some 15 cycles of 8 ns apart; Python code that asks the time takes far longer.
LOOP_NS = 400.0
LOOPS = 8


class SkippingTimer(RPTimer):
    """The chip's timer; it recognises a loop that waits on it. `waited_ns` sums what such loops took."""

    def __init__(self, mcu: RP2040) -> None:
        super().__init__(mcu, "TIMER_BASE")
        self._last_read_ns = 0.0
        self._streak = 0
        self.waited_ns = 0.0
        mcu.timer = self
        mcu.peripherals[TIMER_PAGE] = self

    def read_uint32(self, offset: int) -> int:
        if offset == TIMERAWL:
            now = self.rp2040.clock.nanos
            self._streak = self._streak + 1 if now - self._last_read_ns < LOOP_NS else 0
            if self._streak > LOOPS:
                skipped_ns = COUNT_NS - (now - self._epoch_nanos) % COUNT_NS
                self.rp2040.clock.tick(skipped_ns)
                self.waited_ns += now - self._last_read_ns + skipped_ns
            self._last_read_ns = self.rp2040.clock.nanos
        return super().read_uint32(offset)


class Slices:
    """The PWM slices of a chip, quiet until woken."""

    def __init__(self, mcu: RP2040) -> None:
        self._channels = list(mcu.pwm.channels)
        self._loud: set[int] = set()
        for channel in self._channels:
            self._quieten(channel)

    def wake(self, pin: int) -> None:
        """From now on the slice behind `pin` toggles its pins at their exact times."""
        channel = self._channels[pin >> 1 & 7]
        if channel.index not in self._loud:
            self._loud.add(channel.index)
            for alarm in (channel.alarm_a, channel.alarm_b, channel.alarm_bottom):
                alarm.enable = True

    def _quieten(self, channel: PWMChannel) -> None:
        for alarm in (channel.alarm_a, channel.alarm_b, channel.alarm_bottom):
            alarm.enable = False
        write = channel.write_register

        def settle_at_once(offset: int, value: int) -> None:
            write(offset, value)
            if channel.index not in self._loud:
                channel._update_double_buffered()
                channel.set_a(channel.alarm_a.target > channel.timer.top)
                channel.set_b(channel.alarm_b.target > channel.timer.top)

        channel.write_register = settle_at_once  # type: ignore[method-assign]
