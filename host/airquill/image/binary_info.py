"""What a firmware says about itself: board, program, version, and the place of its file system.

Source of the structures: the chip maker's open SDK, binary_info/structure.h; entry ids from its defs.h, checked
against a stock MicroPython.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from construct import Const, ConstructError, CString, Int16ul, Int32ul, RepeatUntil, Struct

from airquill.image.layout import XIP_BASE

HEADER_SEARCH_BYTES = 1024
"""The header stands in the first 256 bytes after the RP2040's boot stage, and in the first 1024 on the RP2350."""

HEADER = Struct(
    "marker" / Const(0x7188EBF2, Int32ul),
    "start" / Int32ul,
    "end" / Int32ul,
    "copies" / Int32ul,
    "end_marker" / Const(0xE71AA390, Int32ul),
)
COPIES = RepeatUntil(
    lambda entry, _list, _context: entry.source == 0,
    Struct("source" / Int32ul, "start" / Int32ul, "end" / Int32ul),
)
"""What is copied from flash to RAM at start, so that a pointer into RAM can be followed in flash."""

CORE = Struct("type" / Int16ul, "tag" / Int16ul)
TEXT_ENTRY = Struct("core" / CORE, "id" / Int32ul, "text" / Int32ul)
NUMBER_ENTRY = Struct("core" / CORE, "id" / Int32ul, "value" / Int32ul)
BLOCK_DEVICE_ENTRY = Struct("core" / CORE, "name" / Int32ul, "address" / Int32ul, "size" / Int32ul)

TYPE_NUMBER, TYPE_TEXT, TYPE_BLOCK_DEVICE = 5, 6, 7
TAG_CHIP_MAKER = int.from_bytes(b"RP", "little")
TEXTS = {0x02031C86: "program", 0x11A9BC3A: "version", 0x9DA22254: "built", 0xB63CFFBB: "board"}
ID_BINARY_END = 0x68F465DE


@dataclass(frozen=True)
class BlockDevice:
    """A place in flash that a program keeps as a disk."""

    name: str
    address: int
    size: int
    """Bytes."""


@dataclass(frozen=True)
class BinaryInfo:
    """Empty text and None stand for what the firmware does not say."""

    program: str
    version: str
    built: str
    board: str
    binary_end: int | None
    block_devices: tuple[BlockDevice, ...]

    def file_system(self) -> BlockDevice | None:
        """MicroPython's own disk."""
        return next((device for device in self.block_devices if device.name == "MicroPython"), None)


class _Memory:
    """Flash as the running program sees it, with what is copied to RAM at start."""

    def __init__(self, flash: bytes) -> None:
        self._parts = [(XIP_BASE, flash)]

    def copies(self, address: int) -> None:
        for entry in COPIES.parse(self.at(address))[:-1]:
            if entry.end > entry.start:
                self._parts.append((entry.start, self.at(entry.source)[: entry.end - entry.start]))

    def at(self, address: int) -> bytes:
        for start, content in self._parts:
            if start <= address < start + len(content):
                return content[address - start :]
        raise ValueError(f"address 0x{address:08X} is outside the program")

    def text(self, address: int) -> str:
        return str(CString("utf8").parse(self.at(address)[:256]))


def read_binary_info(flash: bytes) -> BinaryInfo | None:
    """Binary info of a program that starts at flash offset 0; None when there is none or it is damaged."""
    marker = HEADER.marker.build(None)
    for offset in range(0, min(HEADER_SEARCH_BYTES, len(flash) - HEADER.sizeof()), 4):
        if flash[offset : offset + 4] == marker:
            try:
                return _read(_Memory(flash), HEADER.parse(flash[offset:]))
            except (ConstructError, ValueError):
                continue
    return None


def _read(memory: _Memory, header: Any) -> BinaryInfo:
    texts = dict.fromkeys(TEXTS.values(), "")
    binary_end: int | None = None
    devices: list[BlockDevice] = []
    memory.copies(header.copies)
    if not header.start <= header.end <= header.start + 4096:
        raise ValueError("the table of entries has an impossible length")
    for pointer in range(header.start, header.end, 4):
        entry = memory.at(Int32ul.parse(memory.at(pointer)))
        core = CORE.parse(entry)
        if core.type == TYPE_BLOCK_DEVICE:
            device = BLOCK_DEVICE_ENTRY.parse(entry)
            devices.append(BlockDevice(memory.text(device.name), device.address, device.size))
        elif core.tag == TAG_CHIP_MAKER and core.type == TYPE_TEXT:
            text = TEXT_ENTRY.parse(entry)
            if text.id in TEXTS:
                texts[TEXTS[text.id]] = memory.text(text.text)
        elif core.tag == TAG_CHIP_MAKER and core.type == TYPE_NUMBER:
            number = NUMBER_ENTRY.parse(entry)
            if number.id == ID_BINARY_END:
                binary_end = number.value
    return BinaryInfo(
        program=texts["program"],
        version=texts["version"],
        built=texts["built"],
        board=texts["board"],
        binary_end=binary_end,
        block_devices=tuple(devices),
    )
