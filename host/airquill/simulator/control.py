"""Client of the control channel: the same methods for a unit in this process and for one behind a socket.

>>> unit = Control.of(port.unit)            # in this process, over sim://
>>> unit = Control.at("bench/control")      # the socket in the folder of `airquill sim run`
>>> unit.press(1, ms=200)
"""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from airquill.errors import AirquillError
from airquill.simulator.sockets import short_path
from airquill.simulator.unit import Unit

Send = Callable[[str, dict[str, Any]], Any]


class _Line:
    """Requests and replies over the socket at `path`.

    Ctrl-C can come anywhere: between a request and its reply, or between a byte's arrival and its place in memory. So a
    connection on which a request failed is given up, and the next request makes another.
    """

    def __init__(self, path: Path, timeout_s: float) -> None:
        self._path = path
        self._timeout_s = timeout_s
        self._connection: socket.socket | None = None

    def connect(self) -> socket.socket:
        """The connection, made where there is none. AirquillError when nobody listens."""
        if self._connection is None:
            made = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            try:
                made.settimeout(self._timeout_s)
                with short_path(self._path) as address:
                    made.connect(address)
            except OSError as error:
                made.close()
                raise AirquillError(
                    f"No virtual unit listens at {self._path}. Start one: airquill sim run --dir {self._path.parent}", 3
                ) from error
            self._connection = made
        return self._connection

    def close(self) -> None:
        """Give the connection back."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def send(self, command: str, arguments: dict[str, Any]) -> Any:
        """What the unit says to a command. AirquillError where it cannot, or does not answer."""
        connection, line = self.connect(), b""
        try:
            connection.sendall(json.dumps({"do": command, **arguments}).encode() + b"\n")
            while not line.endswith(b"\n"):
                new = connection.recv(65536)
                if not new:
                    raise AirquillError(f"The virtual unit at {self._path} has ended.", 3)
                line += new
        except OSError as error:
            self.close()
            raise AirquillError(f"The virtual unit at {self._path} does not answer: {error}.", 3) from error
        except BaseException:
            self.close()
            raise
        reply = json.loads(line)
        if "error" in reply:
            raise AirquillError(f"The virtual unit cannot do that: {reply['error']}.")
        return reply["done"]


class Control:
    """Hands and eyes around a virtual unit. A request that cannot be met raises AirquillError."""

    def __init__(self, send: Send, sleep: Callable[[float], None], close: Callable[[], None]) -> None:
        self._send = send
        self.sleep = sleep
        """Let that many seconds pass on the unit's clock."""
        self.close = close
        """Give the connection back."""

    @classmethod
    def of(cls, unit: Unit) -> Control:
        """Control of a unit in this process."""

        def send(command: str, arguments: dict[str, Any]) -> Any:
            if command in ("power_cut", "power_up", "hang"):
                return getattr(unit, command)(**arguments)
            try:
                return unit.desk.run(command, arguments)
            except ValueError as error:
                raise AirquillError(f"The virtual unit cannot do that: {error}.") from error

        return cls(send, lambda seconds: unit.advance(round(seconds * 1e6)), lambda: None)

    @classmethod
    def at(cls, path: str | Path, timeout_s: float = 10.0) -> Control:
        """Control over the socket of a running virtual unit. AirquillError when nobody listens there."""
        line = _Line(Path(path), timeout_s)
        line.connect()
        return cls(line.send, time.sleep, line.close)

    def __enter__(self) -> Control:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ---- hands

    def press(self, pedal: int, ms: int | None = None, bounce: str | list[int] = "typical") -> int:
        """Foot down on pedal 1 or 2, up again after `ms` if given. Returns when the contact first moves, in us."""
        return int(self._send("press", {"pedal": pedal, "ms": ms, "bounce": bounce}))

    def release(self, pedal: int, bounce: str | list[int] = "typical") -> int:
        """Foot up. Returns when the contact first moves, in us."""
        return int(self._send("release", {"pedal": pedal, "bounce": bounce}))

    def contact(self, pedal: int, normally_closed: bool) -> None:
        """Fit a pedal whose contact is closed at rest, or open."""
        self._send("contact", {"pedal": pedal, "normally_closed": normally_closed})

    def knob(self, steps: int) -> None:
        """Turn the knob by clicks, clockwise positive."""
        self._send("knob", {"steps": steps})

    def knob_push(self, down: bool) -> None:
        """Push the knob or let it go."""
        self._send("knob_push", {"down": down})

    def tip(self, state: str | float) -> None:
        """Tip "open", "sealed", or the share of the needle that stays open, 0 to 1."""
        self._send("tip", {"state": state})

    def needle(self, gauge: int) -> None:
        """Fit a needle of that gauge."""
        self._send("needle", {"gauge": gauge})

    def touch(self, size_mm: tuple[float, float, float], mass_mg: float) -> None:
        """Put the tip on a loose part of that size and mass."""
        self._send("touch", {"size_mm": list(size_mm), "mass_mg": mass_mg})

    def lift(self) -> bool:
        """Take the tip up; True when the part comes along."""
        return bool(self._send("lift", {}))

    def place(self, tack_kpa: float = 0.0) -> None:
        """Set the held part down, in paste of that tack."""
        self._send("place", {"tack_kpa": tack_kpa})

    def fault(self, name: str, strength: float) -> None:
        """Give a fault a strength of 0 to 1; 0 mends it."""
        self._send("fault", {"name": name, "strength": strength})

    def supply(self, volts: float) -> None:
        """Set the supply voltage."""
        self._send("supply", {"volts": volts})

    def key_host(self, state: str) -> None:
        """The computer at the keyboard: "absent", "asleep", "ready" or "deaf"."""
        self._send("key_host", {"state": state})

    def leds(self, bits: int) -> None:
        """Lock lights as the computer sets them."""
        self._send("leds", {"bits": bits})

    def power_cut(self) -> None:
        """Take the supply away, at once."""
        self._send("power_cut", {})

    def power_up(self, button: bool = False) -> None:
        """Give the supply back, with the chip's boot button held down or not."""
        self._send("power_up", {"button": button})

    def cut_at_write(self, n: int) -> None:
        """Cut the power in the middle of the n-th flash write from now; 0 takes that back."""
        self._send("cut_at_write", {"n": n})

    def hang(self) -> None:
        """Make the firmware stand still until its watchdog bites."""
        self._send("hang", {})

    # ---- eyes

    def faults(self) -> dict[str, float]:
        """All faults with their strengths."""
        return dict(self._send("faults", {}))

    def reports(self, first: int = 0) -> list[tuple[int, bytes]]:
        """Keyboard reports from number `first` on, as (us when the computer took it, eight bytes)."""
        return [(int(us), bytes.fromhex(report)) for us, report in self._send("reports", {"first": first})]

    def lights(self) -> dict[str, Any]:
        """The light bar: `lamps`, five of 0 to 255, and `brightness_pct`."""
        return dict(self._send("lights", {}))

    def outputs(self) -> dict[str, int]:
        """What the unit drives, 0 to 65535: `pump`, `valve`, `blow`, `bar` while it is pulsed, outputs of add-ons as
        `x.ADDON.PIN`; and `pump_hz`, `valve_hz`."""
        return dict(self._send("outputs", {}))

    def record_drives(self, on: bool) -> None:
        """Begin to record each change of pump and valve anew, or end it."""
        self._send("record_drives", {"on": on})

    def drives(self) -> list[tuple[int, float, float]]:
        """What was recorded, the state at its start first: us, and the pump's and the valve's share of full drive."""
        return [(int(us), float(pump), float(valve)) for us, pump, valve in self._send("drives", {})]

    def truth(self) -> dict[str, Any]:
        """Real pressures (`pen_kpa`, `line_kpa`, `pump_kpa`), flows and openings, not the sensor's."""
        return dict(self._send("truth", {}))

    def clock(self) -> float:
        """Seconds since the unit's world began."""
        return float(self._send("clock", {})) / 1e6

    def flash(self) -> dict[str, int]:
        """`writes` to the flash, and `most_erases` of one block."""
        return dict(self._send("flash", {}))
