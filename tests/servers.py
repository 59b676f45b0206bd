"""Serial ports behind real servers on loopback."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

from conftest import require

_ACCEPTERS = {"rfc2217": "telnet(rfc2217),tcp(nodelay)", "tcp": "tcp(nodelay)"}
LISTENS_S = 30  # a guard against a hang only: they listen within seconds


def free_port() -> int:
    """A port of 127.0.0.1 that nobody uses now."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


def wait_for_port(port: int) -> None:
    """Wait until somebody listens there."""
    until = time.monotonic() + LISTENS_S
    while time.monotonic() < until:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.05)
    raise AssertionError(f"nobody listens at port {port}")


@contextmanager
def ser2net(folder: Path, device: str, speaks: Literal["rfc2217", "tcp"]) -> Iterator[int]:
    """A real ser2net that serves a serial device; gives its port."""
    program = shutil.which("ser2net") or shutil.which("ser2net", path="/usr/sbin")
    require(program, "needs ser2net: run apt-get install ser2net")
    port = free_port()
    (folder / "ser2net.yaml").write_text(
        "connection: &unit\n"
        f"  accepter: {_ACCEPTERS[speaks]},127.0.0.1,{port}\n"
        f"  connector: serialdev,{device},115200n81,local\n"
        "  options:\n"
        "    kickolduser: true\n"
        "    chardelay: false\n"
    )
    server = subprocess.Popen([str(program), "-n", "-c", str(folder / "ser2net.yaml"), "-d"])
    try:
        wait_for_port(port)
        yield port
    finally:
        server.kill()
        server.wait(10)
