"""What is plugged in: units, boards without Airquill, boot volumes, running virtual units.

A port is judged by its USB product string before anything is written to it: writing to a stranger's port may move a
machine. Only what calls itself Airquill is greeted; everything else waits for its owner to name it by `--port`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Protocol

from serial.tools import list_ports

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.link.problems import NO_UNIT, NotAUnit
from airquill.link.state import announced
from airquill.link.volumes import BootVolume, boot_volumes

PRODUCT = "Airquill"  # device/airquill_device/usbkeys.py gives it to USB
STOCK_PRODUCT = "Board in FS mode"  # MicroPython's own on the RP2040, from memory
STOCK_VID, STOCK_PID = 0x2E8A, 0x0005  # MicroPython on the RP2040, from memory; Airquill keeps them

BUILD_FIRST = "Build an image with `airquill image build`"
NEXT_FOR_BOARD = (
    f"{BUILD_FIRST}, hold BOOTSEL while you plug the board in, and copy the image to the drive that appears."
)


class PortInfo(Protocol):
    """What pyserial says about a serial port; vid, pid and product are None where it does not know them."""

    device: str
    vid: int | None
    pid: int | None
    product: str | None


@dataclass(frozen=True)
class Found:
    """One thing that was found. `kind` is unit, virtual unit, board, boot volume or no unit; `next` says what to do."""

    kind: str
    port: str
    name: str = ""
    board: str = ""
    chip: str = ""
    firmware: str = ""
    build: str = ""
    next: str = ""

    @property
    def is_unit(self) -> bool:
        return self.kind in ("unit", "virtual unit")

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True)
class Candidate:
    """A port that may be greeted, or is known to be a board without Airquill. Nothing was written to it yet."""

    port: str
    kind: str


def candidates(ports: Iterable[PortInfo] | None = None) -> list[Candidate]:
    """Ports of units and MicroPython boards, and running virtual units. Writes to none."""
    found = []
    for port in sorted(list_ports.comports() if ports is None else ports, key=lambda info: info.device):
        kind = _kind_of(port)
        if kind:
            found.append(Candidate(port.device, kind))
    return found + [Candidate(unit.port, "virtual unit") for unit in announced()]


def _kind_of(port: PortInfo) -> str:
    product = port.product or ""
    if product.startswith(PRODUCT):
        return "unit"
    is_micropython = (port.vid, port.pid) == (STOCK_VID, STOCK_PID)
    if product == STOCK_PRODUCT:
        return "board"
    # Windows does not tell the product string. A MicroPython board of either kind takes a greeting without harm.
    return "unit" if is_micropython and not product else "board" if is_micropython else ""


def find(ports: Iterable[PortInfo] | None = None, volumes: Iterable[Path] | None = None) -> list[Found]:
    """All that is plugged in or runs. Greets what calls itself Airquill, and nothing else."""
    found = [_look(candidate) for candidate in candidates(ports)]
    return found + [_volume(volume) for volume in boot_volumes(volumes)]


def find_at(url: str) -> list[Found]:
    """What is at one port that its owner named: it is greeted whatever it calls itself."""
    return [_look(Candidate(url, "virtual unit" if url.startswith("sim:") else "unit"))]


def _look(candidate: Candidate) -> Found:
    if candidate.kind == "board":
        return Found("board", candidate.port, next=NEXT_FOR_BOARD)
    try:
        with Client.open(candidate.port) as unit:
            said = unit.greeting
            name = str(unit.get("unit.name")["unit.name"])
    except NotAUnit as error:
        if error.prompt:
            return Found("board", candidate.port, next=NEXT_FOR_BOARD)
        return Found("no unit", candidate.port, next=error.sentence)
    except AirquillError as error:
        return Found("no unit", candidate.port, next=error.sentence)
    return Found(candidate.kind, candidate.port, name, said.board, said.chip, said.firmware, said.build)


def _volume(volume: BootVolume) -> Found:
    what = f"{BUILD_FIRST} and copy it to {volume.folder}."
    return Found("boot volume", str(volume.folder), board=volume.board_id, next=what)


def the_only_unit(ports: Iterable[PortInfo] | None = None, volumes: Iterable[Path] | None = None) -> str:
    """The port of the one unit there is. Raises AirquillError (exit code 3) for none, and for more than one."""
    there = candidates(ports)
    units = [candidate for candidate in there if candidate.kind != "board"]
    if len(units) == 1:
        return units[0].port
    if units:
        listed = ", ".join(f"{unit.port} ({unit.kind})" for unit in units)
        raise AirquillError(
            f"There are {len(units)} units: {listed}. Choose one with --port, or set AIRQUILL_PORT.", NO_UNIT
        )
    board = next((candidate.port for candidate in there), None)
    if board:
        raise AirquillError(f"There is no unit, but a board without Airquill at {board}. {NEXT_FOR_BOARD}", NO_UNIT)
    volume = next(iter(boot_volumes(volumes)), None)
    if volume:
        raise AirquillError(f"There is no unit, but a boot volume at {volume.folder}. {_volume(volume).next}", NO_UNIT)
    raise AirquillError(
        "There is no unit. Plug one in, name its port with --port, or start a virtual one with `airquill sim run`.",
        NO_UNIT,
    )
