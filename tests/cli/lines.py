"""Lines that misbehave: something else at a port, and a cable that is pulled."""

from __future__ import annotations

import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable


class Stranger:
    """Something else at a pseudo-terminal. `answer` gives what it says to what it reads."""

    def __init__(self, answer: Callable[[bytes], bytes]) -> None:
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.port = os.ttyname(self.slave)
        self._answer = answer
        self._stop, self._stopped = os.pipe()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while True:
            ready, _, _ = select.select([self.master, self._stop], [], [])
            if self._stop in ready:
                return
            answer = self._answer(os.read(self.master, 4096))
            if answer:
                os.write(self.master, answer)

    def close(self) -> None:
        os.write(self._stopped, b"x")
        self._thread.join()
        for number in (self.master, self.slave, self._stop, self._stopped):
            os.close(number)


class Cable:
    """A pseudo-terminal that passes all on to a unit's, until it is pulled.

    Pulled before (`before`) or right after (`after`) the first line that holds these bytes was passed to the unit.
    """

    def __init__(self, to: str, before: bytes = b"\0", after: bytes = b"\0") -> None:
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        self._slave = slave
        self._unit = os.open(to, os.O_RDWR | os.O_NOCTTY)
        self._before, self._after = before, after
        self.pulled = False
        self._stop = False
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        line = b""
        while not self._stop and not self.pulled:
            ready, _, _ = select.select([self._master, self._unit], [], [], 0.05)
            if self._unit in ready:
                os.write(self._master, os.read(self._unit, 4096))
            if self._master not in ready:
                continue
            *whole, line = (line + os.read(self._master, 4096)).split(b"\n")
            for one in whole:
                if self._before in one:
                    self._pull()
                    return
                os.write(self._unit, one + b"\n")
                if self._after in one:
                    self._pull()
                    return

    def _pull(self) -> None:
        # With both ends of its own closed the terminal hangs up, as a pulled USB port does.
        os.close(self._slave)
        os.close(self._master)
        self.pulled = True

    def close(self) -> None:
        self._stop = True
        self._thread.join()
        if not self.pulled:
            self._pull()
        time.sleep(0.3)  # for the unit to finish what it was told
        os.close(self._unit)
