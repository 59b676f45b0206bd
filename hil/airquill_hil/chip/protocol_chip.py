"""The emulated chip's serial port in this process, as a pyserial URL: `chip://?uf2=PATH`.

Emulated time runs only while a call waits, so a program that talks over it repeats exactly. `chip://?bench=N` is the
port of a chip that already runs; `url_of(chip)` gives it.
"""

from typing import Any
from urllib.parse import parse_qsl, urlsplit
from weakref import WeakValueDictionary

from serial import SerialBase, SerialException, SerialTimeoutException

from .emulator import Chip, ChipError

# A program that polls without waiting must see time pass all the same.
LOOK_MS = 0.1
STEP_MS = 1000.0
TTY_BYTES = 4096  # what a write takes before it waits: the buffer of a Linux tty
READY_MS = 10_000.0

_benches: "WeakValueDictionary[int, Chip]" = WeakValueDictionary()


def url_of(chip: Chip) -> str:
    """URL of a running chip's port, for anything that opens ports by pyserial."""
    _benches[id(chip)] = chip
    return f"chip://?bench={id(chip)}"


class Serial(SerialBase):
    """pyserial's port over an emulated chip. Timeouts count emulated seconds."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self._chip: Chip | None = None
        self._input = bytearray()
        self._enumeration = 0
        super().__init__(*args, **kwargs)

    @property
    def chip(self) -> Chip:
        """The chip behind the port."""
        if self._chip is None:
            raise SerialException("The port is not open.")
        return self._chip

    def clock(self) -> float:
        """Emulated time in seconds; what a program should measure its own waits with."""
        return self.chip.ns / 1e9

    def sleep(self, seconds: float) -> None:
        """Let emulated time pass."""
        self.chip.run(seconds * 1000)

    def open(self) -> None:
        """Open the port: boot the chip if it was not, wait until it is on the bus, raise DTR."""
        if self.is_open:
            raise SerialException("The port is already open.")
        chip = self._chip or self._find_chip()
        if chip.host.port_open:
            raise SerialException("Another program has the chip's port open.")
        self._chip = chip
        chip.host.open_when_ready = False
        if not chip.run(READY_MS, lambda: chip.host.configured):
            raise SerialException(f"The chip did not come onto the bus within {READY_MS / 1000:g} s.")
        self._input.clear()
        self._enumeration = chip.host.enumerations
        chip.on_serial = self._input.extend
        chip.host.open_port()
        chip.run(READY_MS, lambda: chip.host.control_idle)
        self.is_open = True

    def _find_chip(self) -> Chip:
        options = dict(parse_qsl(urlsplit(str(self.portstr)).query, keep_blank_values=True))
        try:
            if set(options) == {"bench"}:
                return _benches[int(options["bench"])]
            if set(options) == {"uf2"}:
                chip = Chip(options["uf2"])
                chip.boot()
                chip.host.close_port()
                return chip
        except (KeyError, ValueError) as error:
            raise SerialException(f"{self.portstr} names a chip that does not run any more.") from error
        except ChipError as error:
            raise SerialException(str(error)) from error
        raise SerialException(f"{self.portstr} is no chip's address. Write chip://?uf2=PATH.")

    def close(self) -> None:
        """Close the port: DTR falls. The chip stays as it is."""
        if not self.is_open or self._chip is None:
            return
        self.is_open = False
        chip = self._chip
        chip.on_serial = None
        if self._still_there():
            chip.host.close_port()
            chip.run(READY_MS, lambda: chip.host.control_idle)

    def _still_there(self) -> bool:
        host = self.chip.host
        return host.configured and host.enumerations == self._enumeration

    def _check(self) -> None:
        if not self.is_open:
            raise SerialException("The port is not open.")
        if not self._still_there():
            raise SerialException("The unit left the USB bus; open the port again.")

    def _pass(self, ms: float, until: Any) -> None:
        self.chip.run(ms, lambda: until() or not self._still_there())

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read now; looking at an empty port lets a little time pass."""
        self._check()
        if not self._input:
            self._pass(LOOK_MS, lambda: bool(self._input))
        return len(self._input)

    def read(self, size: int = 1) -> bytes:
        """Read `size` bytes, fewer when the timeout (emulated seconds) ends first."""
        self._check()
        timeout = self.timeout
        end_ns = None if timeout is None else self.chip.ns + max(timeout, LOOK_MS / 1000) * 1e9
        while len(self._input) < size:
            left_ms = STEP_MS if end_ns is None else (end_ns - self.chip.ns) / 1e6
            if left_ms <= 0:
                break
            self._pass(left_ms, lambda: len(self._input) >= size)
            if not self._input:
                self._check()
            if not self._still_there():
                break
        data = bytes(self._input[:size])
        del self._input[:size]
        return data

    def write(self, data: Any) -> int:
        """Write bytes; waits while the unit has not taken earlier ones and the tty's buffer is full."""
        self._check()
        content = bytes(data)
        host = self.chip.host
        end_ns = None if self.write_timeout is None else self.chip.ns + self.write_timeout * 1e9
        host.write(content)
        while host.unsent_bytes > TTY_BYTES:
            left_ms = STEP_MS if end_ns is None else (end_ns - self.chip.ns) / 1e6
            if left_ms <= 0:
                raise SerialTimeoutException("The unit does not read.")
            self._pass(left_ms, lambda: host.unsent_bytes <= TTY_BYTES)
            self._check()
        return len(content)

    def flush(self) -> None:
        """Wait until the unit has taken everything."""
        while self.chip.host.unsent_bytes:
            self._check()
            self._pass(STEP_MS, lambda: not self.chip.host.unsent_bytes)

    def reset_input_buffer(self) -> None:
        """Throw away what was received."""
        self._check()
        self._input.clear()

    def reset_output_buffer(self) -> None:
        """Throw away what was not sent."""
        self._check()
        self.chip.host.drop_unsent()

    def _reconfigure_port(self) -> None:
        """Speed and framing mean nothing on USB."""

    def _update_dtr_state(self) -> None:
        self._set_lines()

    def _update_rts_state(self) -> None:
        self._set_lines()

    def _set_lines(self) -> None:
        if self.is_open:
            self.chip.host.set_lines(dtr=bool(self.dtr), rts=bool(self.rts))
