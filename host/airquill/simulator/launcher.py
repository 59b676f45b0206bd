"""Run by a real MicroPython interpreter: the chip's start-up over a flash file, a virtual board and a pseudo-terminal.

child.py starts it with the terminal's unit end as standard input and output. Arguments: the folder of the host's
packages, and two open files by number, the terminal and a socket. The socket brings a JSON object of what the unit is
made of, then control lines; when it is closed the interpreter ends. Before it ends it says why. A firmware that asks
for the prompt gets the interpreter's own, on the same terminal.
"""

import json
import os
import select
import sys
import time

TYPE_CHECKING = False
if TYPE_CHECKING:
    from .board import VirtualBoard

PROGRAM_PAGE = 256


class RealClock:
    """The host's monotonic clock, from the world's beginning. While it waits it looks after the control channel."""

    def __init__(self, began_us: int) -> None:
        self._began_us = began_us
        self.board = None
        self.channel = None
        self.wake = select.poll()

    def now(self) -> int:
        """Microseconds since the world began."""
        return time.ticks_us() - self._began_us  # type: ignore[attr-defined, no-any-return]

    def spend(self, us: int) -> None:
        """The processor is busy."""
        time.sleep_us(us)  # type: ignore[attr-defined]

    def wait_until(self, us: int) -> None:
        """The processor is idle. A unit at which nothing goes on is woken by its line, not by every pass."""
        self.channel.serve()  # type: ignore[attr-defined]
        quiet_ms = self.board.quiet_us(us) // 1000  # type: ignore[attr-defined]
        if quiet_ms > 1:
            self.wake.poll(quiet_ms)
            return
        left = us - self.now()
        if left > 0:
            time.sleep_us(left)  # type: ignore[attr-defined]


class TerminalLine:
    """The unit's end of a pseudo-terminal that never blocks."""

    def __init__(self, fd: int) -> None:
        self.file = open(fd, "r+b", 0)
        self._buffer = bytearray(256)
        self._in = b""
        self._out = b""
        self._writable = select.poll()
        self._writable.register(self.file, select.POLLOUT)

    def waiting(self) -> bool:
        """True when the host has sent something."""
        if not self._in:
            try:
                n = self.file.readinto(self._buffer)
            except OSError:
                n = 0  # nobody holds the host's end any more, child.py neither: the channel will say so
            if n:
                self._in = bytes(self._buffer[:n])
        return bool(self._in)

    def read(self, limit: int) -> bytes:
        """At most `limit` bytes from the host."""
        data = self._in[:limit]
        self._in = self._in[limit:]
        return data

    def room(self) -> int:
        """Bytes that can be taken now."""
        self._flush()
        return 0 if self._out or not self._writable.poll(0) else 256

    def write(self, data: bytes) -> None:
        """Bytes to the host; what the terminal cannot take at once follows later."""
        self._out += data
        self._flush()

    def _flush(self) -> None:
        if self._out:
            try:
                n = self.file.write(self._out)
            except OSError:
                n = 0
            if n:
                self._out = self._out[n:]


class Channel:
    """Control lines from child.py, answered one by one."""

    def __init__(self, fd: int) -> None:
        self.file = open(fd, "r+b", 0)
        self.desk = None
        self._pid = 0
        self._buffer = bytearray(512)
        self._line = b""

    def first(self) -> "dict[str, object]":
        """The line that says what the unit is made of."""
        while b"\n" not in self._line:
            n = self.file.readinto(self._buffer)
            if n:
                self._line += bytes(self._buffer[:n])
            else:
                time.sleep_us(500)  # type: ignore[attr-defined]
        line, _, self._line = self._line.partition(b"\n")
        config = json.loads(line)
        self._pid = config["pid"]
        return config  # type: ignore[no-any-return]

    def serve(self) -> None:
        """Run what came in. Ends the process when the other side has gone."""
        try:
            n = self.file.readinto(self._buffer)
        except OSError:
            n = 0
        if n is None:
            return
        if n == 0:
            self._end()
        self._line += bytes(self._buffer[:n])
        while b"\n" in self._line:
            line, _, self._line = self._line.partition(b"\n")
            self._run(json.loads(line))

    def _run(self, request: "dict[str, object]") -> None:
        command = request.pop("do")
        if command == "hang":
            from .board import WATCHDOG_US, Reset

            self.tell({"done": None})
            time.sleep_us(WATCHDOG_US)  # type: ignore[attr-defined]
            raise Reset("watchdog")
        try:
            self.tell({"done": self.desk.run(command, request)})  # type: ignore[attr-defined]
        except ValueError as error:
            self.tell({"error": str(error)})

    def _end(self) -> None:
        """Nobody is left to end this process, and ending by itself would leave it at the prompt."""
        os.system("kill -9 %d" % self._pid)

    def tell(self, message: "dict[str, object]") -> None:
        """A line to child.py."""
        data = (json.dumps(message) + "\n").encode()
        while data:
            try:
                n = self.file.write(data)
            except OSError:
                self._end()
            if n:
                data = data[n:]
            else:
                time.sleep_us(200)  # type: ignore[attr-defined]


class _Module:
    """Stands in sys.modules where the chip's own board would be."""

    def __init__(self, board: object) -> None:
        self.board = board


class _Machine:
    """Stands for the chip's own module, of which boot.py uses the watchdog."""

    def __init__(self, board: "VirtualBoard") -> None:
        self._board = board

    def WDT(self, timeout: int) -> None:  # noqa: N802  the chip's own name
        """Start the watchdog; how long it waits is the board's."""
        self._board.watchdog_feed()


def _build_hash(folder: str) -> str:
    try:
        with open(folder + "/build.txt") as file:
            return file.read(8)
    except OSError:
        return "unknown"


def _mount(flash: object) -> None:
    """As the chip's _boot.py does: a disk that cannot be mounted is formatted."""
    import vfs  # type: ignore[import-not-found]

    vfs.umount("/")
    try:
        disk = vfs.VfsLfs2(flash, progsize=PROGRAM_PAGE)
    except OSError:
        vfs.VfsLfs2.mkfs(flash, progsize=PROGRAM_PAGE)
        disk = vfs.VfsLfs2(flash, progsize=PROGRAM_PAGE)
    vfs.mount(disk, "/")
    os.chdir("/")
    sys.path[:] = ["", "/lib"]


def _run_file(name: str) -> None:
    try:
        with open(name) as file:
            source = file.read()
    except OSError:
        return
    exec(compile(source, name, "exec"), {"__name__": "__main__"})


def main(terminal_fd: int, channel_fd: int) -> None:
    """Power up, run boot.py and main.py from the flash, say why it ended."""
    from .board import WATCHDOG_US, Reset, VirtualBoard
    from .commands import Desk
    from .flash import FileCells, Flash, PowerCut
    from .world import World

    channel = Channel(channel_fd)
    config = channel.first()
    clock = RealClock(config["began_us"])  # type: ignore[arg-type]
    world = World(config["seed"], config["needle"], config["made_of"])  # type: ignore[arg-type]
    flash = Flash(FileCells(config["flash"]), world.noise, clock.spend)  # type: ignore[arg-type]
    line = TerminalLine(terminal_fd)
    clock.wake.register(line.file, select.POLLIN)
    clock.wake.register(channel.file, select.POLLIN)
    clock.channel = channel  # type: ignore[assignment]

    board = VirtualBoard(
        world,
        flash,
        clock,
        line,
        config["first_block"],  # type: ignore[arg-type]
        tuple(config["parts"]),  # type: ignore[arg-type]
        cause=config["cause"],  # type: ignore[arg-type]
        timeouts=config["timeouts"],  # type: ignore[arg-type]
    )
    desk = Desk(board)
    clock.board = board  # type: ignore[assignment]
    channel.desk = desk  # type: ignore[assignment]
    faults = config["faults"]
    if config["world"]:
        world.restore(clock.now(), config["world"])  # type: ignore[arg-type]
        faults = dict(world.faults)
    # By the desk, which tells the flash too.
    for name, strength in faults.items():  # type: ignore[attr-defined]
        desk.do_fault(name, strength)

    ended = "prompt"
    try:
        _mount(flash)
        board.has_disk = True
        sys.modules["airquill_device.board"] = _Module(board)  # type: ignore[assignment]
        sys.modules["machine"] = _Machine(board)  # type: ignore[assignment]
        channel.tell({"ready": True})
        _run_file("boot.py")
        folder = sys.path[0]  # the copy of the firmware that boot.py chose
        board.build = _build_hash(folder)
        board.extensions = folder + board.extensions
        _run_file("main.py")
    except Reset as reset:
        ended = reset.cause
    except PowerCut:
        ended = "power_cut"
    except Exception as error:
        # What the chip does: the traceback goes out on the line and the prompt comes.
        sys.print_exception(error, line.file)  # type: ignore[attr-defined]
        sys.print_exception(error, sys.stderr)  # type: ignore[attr-defined]
        if board.fed_us >= 0:
            time.sleep_us(WATCHDOG_US)  # type: ignore[attr-defined]
            ended = "watchdog"
    board.safe()
    channel.tell({"ended": ended, "world": world.snapshot(), "timeouts": board.timeouts})
    # child.py ends this process; ending by itself would leave it at the prompt first.
    while ended != "prompt":
        channel.serve()
        time.sleep_us(1000)  # type: ignore[attr-defined]


if __name__ == "__main__":
    sys.path.append(sys.argv[1])
    from airquill.simulator.launcher import main as _main

    _main(int(sys.argv[2]), int(sys.argv[3]))
