"""The emulated chip's serial port as a pty, in real time, for programs outside this process."""

import contextlib
import errno
import os
import select
import time
import tty
from collections.abc import Callable
from threading import Lock

from .emulator import Chip

STEP_MS = 1.0
READ_BYTES = 4096
LONGEST_NAP_S = 0.02


class PtyBridge:
    """Gives a chip's port a path. `path` can be opened by pyserial; opening and closing it move DTR as on a real port.

    Emulated time never runs ahead of the wall clock; where the emulator is too slow it falls behind and does not try to
    catch up. `lag_s` is the most it fell behind in one step.
    """

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        os.close(slave)  # from here on the system says whether some program has the port open
        os.set_blocking(self._master, False)
        self._poll = select.poll()
        self._poll.register(self._master, select.POLLIN)
        self.lag_s = 0.0
        self._to_program = bytearray()
        self._calls: list[Callable[[], None]] = []
        self._lock = Lock()
        self._stopped = False
        chip.host.open_when_ready = False
        chip.on_serial = self._to_program.extend

    def call(self, do: Callable[[], None]) -> None:
        """Run something on the emulator's thread, for example press a pedal."""
        with self._lock:
            self._calls.append(do)

    def stop(self) -> None:
        """Make `serve` return; may be called from a signal handler or another thread."""
        self._stopped = True

    def serve(self) -> None:
        """Run chip and port until `stop`."""
        wall, emulated_ms = time.perf_counter(), self.chip.ms
        try:
            while not self._stopped:
                self._exchange()
                with self._lock:
                    calls, self._calls = self._calls, []
                for do in calls:
                    do()
                self.chip.run(STEP_MS)
                ahead_s = (self.chip.ms - emulated_ms) / 1000 - (time.perf_counter() - wall)
                if ahead_s > 0:
                    time.sleep(min(ahead_s, LONGEST_NAP_S))
                else:
                    self.lag_s = max(self.lag_s, -ahead_s)
                    wall, emulated_ms = time.perf_counter(), self.chip.ms
        finally:
            os.close(self._master)

    def _exchange(self) -> None:
        host = self.chip.host
        events = self._poll.poll(0)
        in_use = not (events and events[0][1] & select.POLLHUP)
        if host.configured and in_use != host.port_open:
            if in_use:
                host.open_port()
            else:
                host.close_port()
                self._to_program.clear()
        if in_use and host.configured and host.unsent_bytes < READ_BYTES:
            self._from_program()
        if in_use and self._to_program:
            self._write_out()

    def _from_program(self) -> None:
        try:
            self.chip.send(os.read(self._master, READ_BYTES))
        except BlockingIOError:
            pass
        except OSError as error:
            if error.errno != errno.EIO:  # EIO: the program closed the port
                raise

    def _write_out(self) -> None:
        # A program that does not read fills the tty; the host model then stops asking, as a PC's driver does.
        with contextlib.suppress(BlockingIOError):
            del self._to_program[: os.write(self._master, self._to_program)]
        if len(self._to_program) > READ_BYTES:
            self.chip.host.stop_reading()
        elif not self.chip.host.reads_serial:
            self.chip.host.start_reading()
