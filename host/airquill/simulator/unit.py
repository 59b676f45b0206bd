"""A whole virtual unit in the host's process: the device's own App over a virtual board, in virtual time."""

from __future__ import annotations

import importlib
from typing import Any

from airquill.simulator.board import WATCHDOG_US, Reset, VirtualBoard
from airquill.simulator.clock import VirtualClock
from airquill.simulator.commands import Desk
from airquill.simulator.flash import FileCells, Flash, MemoryCells, PowerCut
from airquill.simulator.wire import Wire
from airquill.simulator.world import World
from airquill_protocol import tables

PASS_US = 1000
START_US = 250000  # a restart until the firmware runs; about what importing it takes on the chip

DEFAULT_PARTS = ("sensor", "supply", "panel", "keyboard")


class Unit:
    """One unit. Time moves by advance() alone; `app` is None while the unit is off, starting, hung or at its prompt.

    `extensions` is a folder with add-ons; `made_of` says what a measured unit is made of, see World.

    Raises ValueError for a needle that is not listed; OSError when `flash_path` cannot be opened.
    """

    def __init__(
        self,
        seed: int = 1,
        needle: int = 22,
        parts: tuple[str, ...] = DEFAULT_PARTS,
        flash_path: str | None = None,
        extensions: str | None = None,
        made_of: dict[str, dict[str, float]] | None = None,
    ) -> None:
        self.parts = parts
        self.extensions = extensions
        self.clock = VirtualClock()
        self.world = World(seed, needle, made_of)
        self.wire = Wire()
        cells = FileCells(flash_path) if flash_path else MemoryCells()
        self.flash = Flash(cells, self.world.noise, self.clock.spend)
        self.is_on = False
        self.starts = 0
        self.passes = 0
        self.app: Any = None
        self._cause = "power"
        self._timeouts = 0
        self._start_at = -1
        self._bite_at = -1
        self._hung = False
        self._next_pass = 0
        self._skip_until = 0
        self.power_up(start_us=0)

    # ---- power

    def power_up(self, button: bool = False, start_us: int = START_US) -> None:
        """Supply on: the firmware runs `start_us` later, or not at all with the boot button held."""
        if not self.is_on:
            self.is_on = True
            self._timeouts = 0
            if not button:
                self._begin("power", start_us)

    def power_cut(self) -> None:
        """Supply gone, at once."""
        self.is_on = False
        self._stop()
        self._start_at = -1

    def hang(self) -> None:
        """The firmware stands still until the watchdog bites."""
        self._hung = True

    def _stop(self) -> None:
        """Outputs fall, the keyboard is gone."""
        self.app = None
        self._bite_at = -1
        self._hung = False
        self.board.safe()
        self.world.keyhost.attach(1 << 62)
        self.wire.lose_all()

    def _begin(self, cause: str, start_us: int) -> None:
        self._cause = cause
        self._start_at = self.clock.us + start_us
        if start_us == 0:
            self._start()

    def _start(self) -> None:
        """main.py's part: make the App over a fresh board and boot it."""
        self._start_at = -1
        self.starts += 1
        self.wire.lose_all()
        self.board = VirtualBoard(
            self.world,
            self.flash,
            self.clock,
            self.wire,
            tables.STORE_FIRST_BLOCK,
            self.parts,
            cause=self._cause,
            timeouts=self._timeouts,
        )
        if self.extensions is not None:
            self.board.extensions = self.extensions
        self.desk = Desk(self.board)
        app_class = importlib.import_module("airquill_device.app").App
        self._next_pass = self.clock.us
        self._guard(lambda: self._boot(app_class))

    def _boot(self, app_class: Any) -> None:
        app = app_class(self.board)
        app.boot()
        self.app = app

    def _guard(self, work: Any) -> None:
        """Run firmware; what ends it here ends it on the chip."""
        try:
            work()
        except Reset as reset:
            self._stop()
            self._timeouts = 0
            # A unit in this process has no boot volume to show: it waits for its power to be cut.
            if reset.cause != "boot_volume":
                self._begin(reset.cause, START_US)
        except PowerCut:
            self.power_cut()
        except SystemExit:
            self._stop()  # at the prompt, the watchdog paused
        except Exception:
            # Nothing in the firmware caught it: the loop has ended and the watchdog will bite.
            fed_us = self.board.fed_us
            self._stop()
            self._bite_at = (fed_us if fed_us >= 0 else self.clock.us) + WATCHDOG_US
            raise

    # ---- time

    def advance(self, us: int) -> None:
        """Let that much virtual time pass. What ended the firmware comes through; the watchdog bites later."""
        end = self.clock.us + us
        while self.clock.us < end:
            self.step(end)

    def step(self, end: int) -> None:
        """One pass of the loop and the wait for the next, or a wait up to `end` (us) when the firmware does not run."""
        clock = self.clock
        if self.app is None:
            self._wait(end)
            return
        if self._hung:
            # Pins keep what they drive until the watchdog bites.
            self._hung = False
            fed_us = self.board.fed_us
            self.app = None
            self._bite_at = (fed_us if fed_us >= 0 else clock.us) + WATCHDOG_US
            return
        if clock.us >= self._next_pass and (clock.us >= self._skip_until or not self._quiet_us(clock.us)):
            self.passes += 1
            self._guard(self.app.tick)
            late = clock.us - self._next_pass
            self._next_pass = clock.us - clock.us % PASS_US + PASS_US if late > PASS_US else self._next_pass + PASS_US
            self._skip_until = 0
            if self.app is not None:
                self._skip_until = self._next_pass + self._quiet_us(self._next_pass)
        elif clock.us >= self._next_pass:
            clock.wait_until(min(self._skip_until, end))
            return
        clock.wait_until(min(self._next_pass, end))

    def _quiet_us(self, us: int) -> int:
        """How long passes may be left out. Streamed readings fall due in passes that look idle from outside."""
        return 0 if self.app.link.stream_us else self.board.quiet_us(us)

    def _wait(self, end: int) -> None:
        clock = self.clock
        if 0 <= self._bite_at <= end:
            clock.wait_until(self._bite_at)
            self._stop()
            self._timeouts += 1
            self._begin("watchdog", START_US)
        elif 0 <= self._start_at <= end:
            clock.wait_until(self._start_at)
            self._start()
        else:
            clock.wait_until(end)
            self.wire.lose_all()
