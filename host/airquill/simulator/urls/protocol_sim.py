"""`sim://`: a virtual unit as a serial port. Waiting for bytes is what lets its virtual time pass."""

from __future__ import annotations

from typing import Any

from serial import SerialBase, SerialException

from airquill.simulator.unit import PASS_US, Unit
from airquill.simulator.units import unit_at

FOREVER_S = 3600.0
"""Virtual time after which a read without a timeout gives up: nobody will ever send anything."""


class Serial(SerialBase):
    """Opened by `serial_for_url("sim://...")`. `unit` is it; `clock()` and `sleep()` count its virtual seconds."""

    unit: Unit

    def open(self) -> None:
        """Find or make the unit. SerialException when the address is wrong or the port is open already."""
        if self.is_open:
            raise SerialException("The port is open already.")
        try:
            self.unit = unit_at(self.portstr or "")
        except (ValueError, OSError) as error:
            raise SerialException(f"{error}.") from error
        if self.unit.wire.is_open:
            raise SerialException("Another program has it open.")
        self.unit.wire.is_open = True
        self.is_open = True

    def close(self) -> None:
        """Give the port back; what the unit says from now on is lost."""
        if self.is_open:
            self.is_open = False
            self.unit.wire.is_open = False

    def clock(self) -> float:
        """Seconds since the unit's world began."""
        return self.unit.clock.us / 1e6

    def sleep(self, seconds: float) -> None:
        """Let virtual time pass."""
        self.unit.advance(round(seconds * 1e6))

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once."""
        return len(self._buffer())

    def _buffer(self) -> bytearray:
        if not self.is_open:
            raise SerialException("The port is not open.")
        return self.unit.wire.to_host

    def read(self, size: int = 1) -> bytes:
        """Up to `size` bytes; lets virtual time pass until they are there or the timeout is over."""
        buffer = self._buffer()
        unit = self.unit
        end = unit.clock.us + round((FOREVER_S if self.timeout is None else self.timeout) * 1e6)
        while len(buffer) < size and unit.clock.us < end:
            unit.step(end)
        data = bytes(buffer[:size])
        del buffer[:size]
        return data

    def write(self, data: Any) -> int:
        """Hand bytes to the unit; takes no time."""
        self._buffer()
        self.unit.wire.to_unit += bytes(data)
        return len(data)

    def flush(self) -> None:
        """Let time pass until the unit has taken all that was written, a second at most."""
        unit = self.unit
        end = unit.clock.us + 1000 * PASS_US
        while unit.wire.to_unit and unit.clock.us < end:
            unit.step(end)

    def reset_input_buffer(self) -> None:
        """Throw away what was not read."""
        self._buffer().clear()

    def reset_output_buffer(self) -> None:
        """Throw away what the unit has not taken."""
        self._buffer()
        self.unit.wire.to_unit.clear()

    # A virtual line has no speed and no modem lines.

    def _reconfigure_port(self, force_update: bool = False) -> None:
        pass

    def _update_rts_state(self) -> None:
        pass

    def _update_dtr_state(self) -> None:
        pass

    def _update_break_state(self) -> None:
        pass

    @property
    def cts(self) -> bool:
        """Always ready."""
        return True

    @property
    def dsr(self) -> bool:
        """True while the unit has power."""
        return self.unit.is_on

    @property
    def ri(self) -> bool:
        """Never rings."""
        return False

    @property
    def cd(self) -> bool:
        """True while the unit has power."""
        return self.unit.is_on
