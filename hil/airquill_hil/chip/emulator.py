"""The emulated chip as a bench: boots a UF2 on an emulated RP2040 in emulated time.

Everything is synchronous and repeats to the nanosecond: no threads, no wall clock. Not faithful: one core, no flash or
XIP stalls, no boot ROM (neither its start-up time nor its boot volume), and bytes move over USB in no time.
"""

import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from rp2040py.boards import BoardSpec
from rp2040py.device import MicroPythonDevice
from rp2040py.device.base_device import ResetCause
from rp2040py.execute_batch import execute_batch
from rp2040py.gpio_pin import GPIOPinState

from airquill.errors import AirquillError

from .pins import Edges, Pwm, PwmLog, read_pwm
from .speed import SkippingTimer, Slices
from .usb_host import KeyReport, UsbHost

FLASH_BYTES = 2 * 1024 * 1024
FILE_SYSTEM_OFFSET = 0xA0000
ADC_FIRST_PIN = 26
ADC_CODES = 4096
WATCHDOG_CTRL = 0x00
MS = 1e6


class ChipError(AirquillError):
    """The bench could not do what was asked; the sentence says what and why."""


class Chip:
    """An RP2040 with a UF2 in its flash and a PC at its USB plug.

    Args:
        uf2: image to boot, with or without a file system in it.
        file_system: LittleFS image to put beside a UF2 that has none.
        file_system_offset: where that image lies in flash, bytes from its start.
        host: False leaves the USB plug empty.

    Raises:
        ChipError: the UF2 cannot be read.
    """

    def __init__(
        self,
        uf2: str | Path,
        *,
        file_system: bytes | None = None,
        file_system_offset: int = FILE_SYSTEM_OFFSET,
        host: bool = True,
    ) -> None:
        try:
            self._device = MicroPythonDevice(board=BoardSpec(image=Path(uf2)))
        except OSError as error:
            raise ChipError(f"Cannot read the firmware image {uf2}: {error.strerror}. Check the path.") from error
        except Exception as error:
            raise ChipError(f"{uf2} is not a UF2 image for this chip: {error}. Give a UF2 file.") from error
        self.mcu = self._device.mcu
        self.clock = self.mcu.clock
        self._simulator = self._device.simulator
        if file_system is not None:
            self.mcu.flash[file_system_offset : file_system_offset + len(file_system)] = file_system
        self.received = bytearray()
        self.on_serial: Callable[[bytes], None] | None = None
        self._timer = SkippingTimer(self.mcu)
        self._slices = Slices(self.mcu)
        self.host = UsbHost(self.mcu, self._changed)
        self.host.plugged = host
        self.host.on_serial = self._got_serial
        self.starts = 1
        self.powered = True
        self.wall_s = 0.0
        self._until: Callable[[], bool] | None = None
        self._due = False
        self._deadline = self.clock.create_alarm(self._deadline_reached)
        self._edges: list[Edges] = []
        self._adc_sources: dict[int, Callable[[float], float]] = {}
        self.mcu.adc.on_adc_read = self._convert
        self.mcu.watchdog.on_watchdog_trigger = self._watchdog_bit
        self.mcu.core.pc = 0x10000000

    # ---- time

    @property
    def ns(self) -> float:
        """Emulated time in ns since the bench was made."""
        return float(self.clock.nanos)

    @property
    def ms(self) -> float:
        """Emulated time in ms since the bench was made."""
        return self.ns / MS

    @property
    def waited_ns(self) -> float:
        """Emulated time that the guest spent waiting on its timer, in ns."""
        return self._timer.waited_ns

    def run(self, ms: float, until: Callable[[], bool] | None = None) -> bool:
        """Let emulated time pass, `ms` milliseconds or until `until()` holds; returns whether it held."""
        if until and until():
            return True
        self._due, self._until = False, until
        self._deadline.schedule(ms * MS)
        began = time.perf_counter()
        try:
            while not self._due:
                if not self.powered:
                    self.clock.tick(self.clock.nanos_to_next_alarm)
                else:
                    self._simulator.stopped = False
                    # One instruction per clock step: alarms, and so edges and reports, fall exactly when due.
                    execute_batch(self._simulator, 1)
                if until and until():
                    return True
            return False
        finally:
            self._deadline.cancel()
            self._until = None
            self.wall_s += time.perf_counter() - began

    def wait(self, ms: float, until: Callable[[], bool], what: str) -> None:
        """Like `run`, but raises ChipError naming `what` when it did not happen in time."""
        if not self.run(ms, until):
            raise ChipError(f"The chip did not {what} within {ms:g} ms of emulated time.")

    def at(self, ms: float, do: Callable[[], None]) -> Any:
        """Call `do` exactly `ms` emulated milliseconds from now; the result has `cancel()`."""
        alarm = self.clock.create_alarm(do)
        alarm.schedule(ms * MS)
        return alarm

    def _deadline_reached(self) -> None:
        self._due = True
        self._simulator.stopped = True

    def _changed(self) -> None:
        if self._until and self._until():
            self._simulator.stopped = True

    # ---- power

    def boot(self, ms: float = 10_000) -> None:
        """Run until the host has enumerated the unit and opened its port.

        Raises:
            ChipError: it did not within `ms` of emulated time.
        """
        self.wait(ms, lambda: self.host.configured, "enumerate over USB")

    def reset(self) -> None:
        """Pull the RUN pin low for a moment: everything restarts, flash stays."""
        self._restart(ResetCause.RUN_PIN)

    def cut_power(self) -> None:
        """Take the supply away at this very instant: RAM is lost, flash stays, outputs are let go."""
        self._device._enter_reset(ResetCause.POWER_ON)
        self._stop_watchdog()
        self.mcu.sram[:] = b"\xa5" * len(self.mcu.sram)
        self.powered = False
        self._look_at_pins()
        self._simulator.stopped = True

    def power_up(self) -> None:
        """Give the supply back; the chip boots when time runs."""
        if self.powered:
            raise ChipError("The chip already has power. Cut it first.")
        self.powered = True
        self.starts += 1
        self._device._leave_reset()

    def _restart(self, cause: ResetCause) -> None:
        self._device._enter_reset(cause)
        self._stop_watchdog()
        self._look_at_pins()
        self.starts += 1
        self._device._leave_reset()

    def _watchdog_bit(self) -> None:
        self._restart(ResetCause.WATCHDOG)
        # The register write that asked for the restart goes on to set the enable bit again; on the chip the restart
        # wins. Undone before the next instruction.
        self.at(0, self._stop_watchdog)

    def _stop_watchdog(self) -> None:
        self.mcu.watchdog.write_uint32(WATCHDOG_CTRL, 0)

    def _look_at_pins(self) -> None:
        for edges in self._edges:
            edges.look_again()

    # ---- flash

    @property
    def flash(self) -> bytes:
        """A copy of the 2 MiB of flash."""
        return bytes(self.mcu.flash[:FLASH_BYTES])

    def write_flash(self, offset: int, data: bytes) -> None:
        """Put bytes into flash from outside, as a boot volume would. The chip should be without power."""
        self.mcu.flash[offset : offset + len(data)] = data

    # ---- inputs

    def drive(self, pin: int, high: bool) -> None:
        """Drive an input pin from outside."""
        self.mcu.gpio[pin].set_input_value(high)

    def let_go(self, pin: int) -> None:
        """Stop driving a pin; its pull resistor decides the level."""
        self.mcu.gpio[pin].release_input()

    def press(self, pin: int, edges_us: Sequence[float] = ()) -> None:
        """Close a pedal's contact to ground, now and with bounce.

        Args:
            pin: GPIO of the pedal.
            edges_us: times after now at which the contact opens, closes, opens ... again; an even count ends closed.
        """
        self._bounce(pin, closed=True, edges_us=edges_us)

    def release(self, pin: int, edges_us: Sequence[float] = ()) -> None:
        """Open a pedal's contact, now and with bounce; see `press`."""
        self._bounce(pin, closed=False, edges_us=edges_us)

    def _bounce(self, pin: int, *, closed: bool, edges_us: Sequence[float]) -> None:
        if len(edges_us) % 2:
            raise ChipError(f"A bounce pattern needs an even number of edges, not {len(edges_us)}.")
        self._contact(pin, closed)
        for count, at_us in enumerate(edges_us):
            self.at(at_us / 1000, self._contact_later(pin, closed == bool(count % 2)))

    def _contact_later(self, pin: int, closed: bool) -> Callable[[], None]:
        return lambda: self._contact(pin, closed)

    def _contact(self, pin: int, closed: bool) -> None:
        if closed:
            self.drive(pin, False)
        else:
            self.let_go(pin)

    def set_adc(self, pin: int, code: float | Callable[[float], float]) -> None:
        """Give an ADC pin (26 to 29) a 12-bit code, or a function of emulated seconds that returns one."""
        channel = pin - ADC_FIRST_PIN
        if callable(code):
            self._adc_sources[channel] = code
        else:
            self._adc_sources.pop(channel, None)
            self.mcu.adc.channel_values[channel] = int(code)

    def _convert(self, channel: int) -> None:
        source = self._adc_sources.get(channel)
        if source is not None:
            self.mcu.adc.channel_values[channel] = min(max(round(source(self.ns / 1e9)), 0), ADC_CODES - 1)
        self.mcu.adc.current_channel = channel
        self.mcu.adc.sample_alarm.schedule(self.mcu.adc.sample_time * 1000)

    # ---- outputs

    def level(self, pin: int) -> bool | None:
        """Level that the chip drives a pin to; None when it does not drive it.

        A PWM pin shows its switching only after `edges` was asked for it; until then it is high only when fully on.
        """
        state = self.mcu.gpio[pin].value
        return None if state not in (GPIOPinState.LOW, GPIOPinState.HIGH) else state == GPIOPinState.HIGH

    def edges(self, pin: int) -> Edges:
        """Start noting the edges of an output pin."""
        self._slices.wake(pin)
        noted = Edges(self.mcu, pin)
        self._edges.append(noted)
        return noted

    def pwm(self, pin: int) -> Pwm:
        """The PWM registers behind a pin."""
        return read_pwm(self.mcu, pin)

    def pwm_log(self, pin: int) -> PwmLog:
        """Start noting changes of the PWM registers behind a pin."""
        return PwmLog(self.mcu, pin)

    # ---- USB

    @property
    def reports(self) -> list[KeyReport]:
        """Keyboard reports that the host took, oldest first."""
        return self.host.reports

    def _got_serial(self, data: bytes) -> None:
        self.received += data
        if self.on_serial:
            self.on_serial(data)

    def send(self, data: bytes) -> None:
        """Write to the serial port; bytes move when time runs."""
        self.host.write(data)

    def control(
        self, request_type: int, request: int, value: int, index: int, length: int, out: bytes = b"", ms: float = 600
    ) -> bytes | None:
        """Run one control transfer to its end; None means that the guest stalled it."""
        transfer = self.host.control(request_type, request, value, index, length, out=out)
        self.wait(ms, lambda: transfer.done, "answer a control request")
        return transfer.answer

    def lines(self) -> Iterable[str]:
        """What came over the serial port so far, as lines."""
        return self.received.decode("utf-8", "replace").splitlines()
