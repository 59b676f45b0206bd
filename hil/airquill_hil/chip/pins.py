"""Reading the emulated chip's outputs: pin levels, edges with time stamps, PWM registers."""

from dataclasses import dataclass

from rp2040py.gpio_pin import GPIOPinState
from rp2040py.rp2040 import RP2040

CSR_ENABLE = 1 << 0
CSR_PHASE_CORRECT = 1 << 1
CC_REGISTER, TOP_REGISTER, CSR_REGISTER = 0x0C, 0x10, 0x00


@dataclass(frozen=True)
class Pwm:
    """A PWM output as its registers stand.

    `frequency_hz` and `duty` (0 to 1) follow the RP2040 data sheet, section 4.5.2.6:
    period in cycles = (TOP + 1) x (1 + phase correct) x (DIV_INT + DIV_FRAC / 16).
    """

    enabled: bool
    top: int
    compare: int
    divider: float
    phase_correct: bool
    clock_hz: int

    @property
    def frequency_hz(self) -> float:
        """Frequency in Hz."""
        return self.clock_hz / ((self.top + 1) * (2 if self.phase_correct else 1) * self.divider)

    @property
    def duty(self) -> float:
        """Share of the period that the output is high, 0 to 1; 0 when the slice stands still."""
        return min(self.compare / (self.top + 1), 1.0) if self.enabled else 0.0


def read_pwm(mcu: RP2040, pin: int) -> Pwm:
    """PWM registers behind a pin: slice (pin / 2) modulo 8, channel A for even pins, B for odd ones."""
    channel = mcu.pwm.channels[pin >> 1 & 7]
    whole, sixteenths = channel.div >> 4 & 0xFF, channel.div & 0xF
    return Pwm(
        enabled=bool(channel.csr & CSR_ENABLE),
        top=channel.top,
        compare=channel.cc >> 16 if pin & 1 else channel.cc & 0xFFFF,
        divider=(whole or 256) + sixteenths / 16,
        phase_correct=bool(channel.csr & CSR_PHASE_CORRECT),
        clock_hz=mcu.clk_sys,
    )


class PwmLog:
    """Every change of a pin's PWM registers with its emulated time in ns, from when the log was made."""

    def __init__(self, mcu: RP2040, pin: int) -> None:
        self.changes: list[tuple[float, Pwm]] = []
        self._mcu, self._pin = mcu, pin
        self._channel = mcu.pwm.channels[pin >> 1 & 7]
        self._write = self._channel.write_register
        self._channel.write_register = self._logged  # type: ignore[method-assign]

    def _logged(self, offset: int, value: int) -> None:
        before = read_pwm(self._mcu, self._pin)
        self._write(offset, value)
        after = read_pwm(self._mcu, self._pin)
        if after != before:
            self.changes.append((self._mcu.clock.nanos, after))

    def stop(self) -> None:
        """Stop logging. Logs on one slice must be stopped in reverse order."""
        self._channel.write_register = self._write  # type: ignore[method-assign]


@dataclass(frozen=True)
class Edge:
    """A change of an output pin: emulated time in ns and the new level."""

    at_ns: float
    high: bool


class Edges:
    """Edges of an output pin from when this was made; a pin that the chip does not drive counts as low."""

    def __init__(self, mcu: RP2040, pin: int) -> None:
        self.list: list[Edge] = []
        self._clock, self._pin = mcu.clock, mcu.gpio[pin]
        self._high = self._pin.value == GPIOPinState.HIGH
        self._remove = self._pin.add_listener(self._changed)

    def _changed(self, state: GPIOPinState, _before: GPIOPinState) -> None:
        self._note(state == GPIOPinState.HIGH)

    def _note(self, high: bool) -> None:
        if high != self._high:
            self._high = high
            self.list.append(Edge(self._clock.nanos, high))

    def look_again(self) -> None:
        """Note the level after a reset, which lets go of every pin without telling listeners."""
        self._note(self._pin.value == GPIOPinState.HIGH)

    def stop(self) -> None:
        """Stop listening."""
        self._remove()
