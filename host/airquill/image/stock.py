"""The stock MicroPython that an image is built on: what it is, and where it keeps its disk."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from airquill.errors import AirquillError
from airquill.image.binary_info import BinaryInfo, read_binary_info
from airquill.image.layout import RPI_PICO, XIP_BASE, Layout
from airquill.image.uf2 import Uf2, parse_uf2

OLDEST = (1, 23)
"""First MicroPython with machine.USBDevice, which the keyboard needs. Source: its release notes."""

LEAST_DISK_BYTES = 512 * 1024
"""Room for the firmware twice, so that an update leaves the old one in place, and for the builder to pin the store."""

# For a stock firmware without binary info: the board's name as its prompt shows it, and the disk.
# Source: MicroPython v1.28.0, ports/rp2/boards/*/mpconfigboard.h, with the flash sizes of the chip maker's SDK.
KNOWN_BOARDS = {
    "Raspberry Pi Pico": ("pico", RPI_PICO),
    "Raspberry Pi Pico W": ("pico_w", Layout(offset=0x12C000, block_count=212)),
    "Raspberry Pi Pico2": ("pico2", Layout(offset=0x100000, block_count=768)),
    "Raspberry Pi Pico 2 W": ("pico2_w", Layout(offset=0x180000, block_count=640)),
}


UNTRIED = "This is for an {chip}. Nobody has run Airquill's firmware on one yet: try all of it before you rely on it."


@dataclass(frozen=True)
class Stock:
    """A MicroPython firmware, with or without a file system behind it."""

    uf2: Uf2
    board: str
    version: str
    """As MicroPython writes it, with the leading v."""
    layout: Layout
    program_end: int
    """Address behind the program."""
    warnings: tuple[str, ...]


def read_file(path: Path) -> bytes:
    """Content of a file that a person named. Raises AirquillError when it cannot be read."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise AirquillError(f"{path} cannot be read: {error.strerror or error}.") from error


def read_stock(path: Path) -> Stock:
    """Read a UF2 with MicroPython in it. Raises AirquillError for anything else."""
    uf2 = parse_uf2(read_file(path), str(path))
    start, end = uf2.ranges()[0]
    if start != XIP_BASE:
        raise AirquillError(f"{path} holds no program at the start of flash. Give a MicroPython firmware.")
    program = uf2.memory(start, end - start)
    info = read_binary_info(program)
    version = (info.version if info else "") or _version_in(program)
    if not version or (info and info.program not in ("", "MicroPython")):
        what = info.program if info and info.program else "something else"
        raise AirquillError(f"{path} is not MicroPython but {what}. Give a MicroPython firmware for the board.")
    board, layout, warnings = _disk(path, program, info)
    if not uf2.family_name.startswith("RP2040"):
        warnings += (UNTRIED.format(chip=uf2.family_name.partition(" ")[0]),)
    program_end = info.binary_end if info and info.binary_end else end
    return Stock(uf2, board, version, layout, program_end, warnings)


def check_fits(stock: Stock, path: Path) -> None:
    """Raise AirquillError when this MicroPython cannot run Airquill's firmware."""
    number = re.match(r"v(\d+)\.(\d+)", stock.version)
    if not number:
        raise AirquillError(f"{path} has no version that can be read: '{stock.version}'. Give a released MicroPython.")
    version = (int(number[1]), int(number[2]))
    if version < OLDEST:
        raise AirquillError(
            f"{path} is MicroPython {stock.version}, which cannot be a keyboard; "
            f"v{OLDEST[0]}.{OLDEST[1]}.0 is the oldest that can. Give a newer one."
        )
    if version[0] != OLDEST[0]:
        raise AirquillError(
            f"{path} is MicroPython {stock.version}; this Airquill builds bytecode for version {OLDEST[0]} only. "
            "Give an older MicroPython, or install a newer Airquill."
        )
    start, end = stock.uf2.ranges()[0]
    if b"\0USBDevice\0" not in stock.uf2.memory(start, end - start):
        raise AirquillError(
            f"{path} was built without machine.USBDevice, so it cannot be a keyboard. "
            "Give the stock firmware as it is published for the board."
        )


def _version_in(program: bytes) -> str:
    found = re.search(rb"MicroPython (v\d[\w.\-]*) on \d{4}-", program)
    return found[1].decode() if found else ""


def _disk(path: Path, program: bytes, info: BinaryInfo | None) -> tuple[str, Layout, tuple[str, ...]]:
    disk = info.file_system() if info else None
    if info and disk:
        block = RPI_PICO.block_bytes
        if disk.address < XIP_BASE or disk.address % block or disk.size % block:
            raise AirquillError(f"{path} says its disk is {disk.size} bytes at 0x{disk.address:08X}, which cannot be.")
        if disk.size < LEAST_DISK_BYTES:
            raise AirquillError(
                f"{path} keeps a disk of {disk.size} bytes; Airquill needs {LEAST_DISK_BYTES}. Use another board."
            )
        return info.board, Layout(disk.address - XIP_BASE, disk.size // block), ()
    found = re.search(rb"; ([ -~]{3,60}) with RP2", program)
    name = found[1].decode() if found else "an unnamed board"
    if name not in KNOWN_BOARDS:
        raise AirquillError(
            f"{path} does not say where its disk is, and {name} is not a board that Airquill knows. "
            "Give the stock firmware as it is published for the board."
        )
    board, layout = KNOWN_BOARDS[name]
    warning = (
        f"{path} does not say where its disk is; taken from the table for {name}: {layout.size} bytes "
        f"at 0x{layout.address:08X}."
    )
    return board, layout, (warning,)
