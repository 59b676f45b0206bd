"""A rig whose board sees and handles a virtual unit: at an address of this process, where waiting for bytes lets the
unit's time pass, or behind a socket, in real time."""

from __future__ import annotations

import socket
import threading
from typing import Any
from urllib.parse import urlsplit

from airquill_rig.rig import Rig
from airquill_rig.words import SHORTEST_US
from serial import SerialBase, SerialException

from airquill.simulator.control import Control
from airquill.simulator.units import control

PASS_S = 0.001
MASK = 0x3FFFFFFF


class Board:
    """What hil/rig/airquill_rig/board.py offers, over a virtual unit's truth."""

    def __init__(self, unit: Control) -> None:
        self.unit = unit
        self.sent = bytearray()
        self.came = bytearray()
        self.begun_us = round(self.unit.clock() * 1e6)
        self.tip_state = -1

    def ticks_us(self) -> int:
        return round(self.unit.clock() * 1e6) & MASK

    def ticks_diff(self, a: int, b: int) -> int:
        return ((a - b + 0x20000000) & MASK) - 0x20000000

    def unique_id(self) -> str:
        return "0000000000000001"

    def capabilities(self) -> tuple[str, ...]:
        return ("gates", "presses", "meter", "reference", "power", "tip")

    def serial_read(self, buf: bytearray) -> int:
        n = min(len(buf), len(self.came))
        buf[:n] = self.came[:n]
        del self.came[:n]
        return n

    def serial_write(self, buf: bytes, start: int, n: int) -> int:
        self.sent += buf[start : start + n]
        return n

    def tick(self, us: int) -> None:
        pass

    def gate(self, n: int) -> tuple[int, int]:
        said = self.unit.outputs()
        name = ("pump", "valve")[n]
        duty = round(said[name] * 10000 / 65535)
        return (said[f"{name}_hz"] if 0 < duty < 10000 else 0), duty

    def record(self, us: int) -> None:
        self.unit.record_drives(True)

    def changes(self) -> list[tuple[int, int, int]]:
        return [
            (us - self.begun_us, round(pump * 10000), round(valve * 10000)) for us, pump, valve in self.unit.drives()
        ]

    def press(self, n: int, levels: list[int]) -> None:
        """What the PIO program would play: closed where the lowest bit is set, for the rest of the word and 4 us."""
        lasts = [(word >> 1) + SHORTEST_US for word in levels]
        hold = lasts.index(max(lasts))
        assert [word & 1 for word in levels] == [n % 2 ^ 1 for n in range(hold + 1)] + [
            n % 2 for n in range(len(levels) - hold - 1)
        ]
        bounce = [sum(lasts[: k + 1]) for k in range(hold)]
        self.unit.press(n + 1, ms=sum(lasts[: hold + 1]) // 1000, bounce=bounce)

    def let_go(self) -> None:
        for pedal in (1, 2):
            self.unit.release(pedal)

    def tip(self, state: int) -> None:
        self.tip_state = state
        self.unit.tip(("open", "sealed", 0.2)[state])

    def power(self, on: bool) -> None:
        if on:
            self.unit.power_up()
        else:
            self.unit.power_cut()

    def supply_10mv(self) -> int:
        return round(self.unit.truth()["supply_volts"] * 100)

    def supply_ma(self) -> int:
        return round(self.unit.truth()["supply_ma"])

    def vacuum_10pa(self) -> int:
        return round(self.unit.truth()["pen_kpa"] * 100)


class Serial(SerialBase):
    """Opened by `serial_for_url("rig://NAME")`."""

    rig: Rig
    board: Board
    unplugged = False

    def open(self) -> None:
        self.board = Board(control(f"sim://{urlsplit(self.portstr or '').netloc}"))
        self.rig = Rig(self.board)
        self.is_open = True

    def close(self) -> None:
        self.is_open = False

    def clock(self) -> float:
        return self.board.unit.clock()

    def sleep(self, seconds: float) -> None:
        self.board.unit.sleep(seconds)

    @property
    def in_waiting(self) -> int:
        return len(self.board.sent)

    def read(self, size: int = 1) -> bytes:
        if Serial.unplugged:
            raise SerialException("unplugged")
        end = self.clock() + (self.timeout or 0)
        while len(self.board.sent) < size and self.clock() < end:
            self.rig.tick()
            if not self.board.sent and not self.board.came:
                self.sleep(PASS_S)
        data = bytes(self.board.sent[:size])
        del self.board.sent[:size]
        return data

    def write(self, data: Any) -> int:
        self.board.came += bytes(data)
        return len(data)

    def _reconfigure_port(self, force_update: bool = False) -> None:
        pass

    def _update_rts_state(self) -> None:
        pass

    def _update_dtr_state(self) -> None:
        pass


def serve(unit: Control, server: socket.socket, ended: threading.Event) -> None:
    """Be the rig around a running unit, for one host after another at a listening socket, until `ended`."""
    board = Board(unit)
    rig = Rig(board)
    server.settimeout(0.1)
    while not ended.is_set():
        try:
            line, _ = server.accept()
        except TimeoutError:
            continue
        with line:
            line.settimeout(PASS_S)
            while not ended.is_set():
                try:
                    came = line.recv(4096)
                    if not came:
                        break
                    board.came += came
                except TimeoutError:
                    pass
                except ConnectionError:
                    break
                rig.tick()
                while board.came:  # it takes few bytes a pass
                    rig.tick()
                line.sendall(board.sent)
                board.sent.clear()
