"""The boot volume of a virtual unit: a folder that takes a UF2 as the chip's ROM does.

Block by block, as they arrive: a block is taken when the ROM would take it, its flash block is erased at its first
page, and the unit restarts when all blocks of the announced count are there. An interrupted copy leaves what it wrote.
Only the disk's part of the flash is kept: the interpreter stands for MicroPython itself.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from airquill.image.layout import RPI_PICO, XIP_BASE
from airquill.image.uf2 import BLOCK, BLOCK_BYTES, FLAG_FAMILY, MAGIC_FIRST, MAGIC_LAST, MAGIC_SECOND, PAYLOAD_BYTES

FAMILY = 0xE48BFF56  # RP2040
FLAG_NOT_FLASH = 0x0001
FLASH_BYTES = 2 * 1024 * 1024
# Form: UF2 specification, "File containers". The chip's own board id, so that tools take the folder for its drive.
INFO = "UF2 Bootloader v3.0\r\nModel: Raspberry Pi RP2\r\nBoard-ID: RPI-RP2\r\n"


class BootVolume:
    """The drive: `folder` appears with INFO_UF2.TXT; what is copied into it goes to the flash file."""

    def __init__(self, folder: Path, flash: Path) -> None:
        self.folder = folder
        self._flash = flash
        self._at: dict[str, int] = {}
        self._erased: set[int] = set()
        self._came: set[int] = set()
        self._total = 0
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        (folder / "INFO_UF2.TXT").write_bytes(INFO.encode())

    def close(self) -> None:
        """The drive goes, with all that lies in it."""
        shutil.rmtree(self.folder, ignore_errors=True)

    def take(self) -> bool:
        """Look what has come since the last time; True when a firmware is complete."""
        for path in sorted(self.folder.glob("*")):
            if path.name != "INFO_UF2.TXT" and path.is_file() and self._read(path):
                return True
        return False

    def _read(self, path: Path) -> bool:
        at = self._at.get(path.name, 0)
        if path.stat().st_size < at:
            at = 0
        with path.open("rb") as file:
            file.seek(at)
            data = file.read()
        whole = len(data) // BLOCK_BYTES * BLOCK_BYTES
        self._at[path.name] = at + whole
        return any([self._block(data[start : start + BLOCK_BYTES]) for start in range(0, whole, BLOCK_BYTES)])

    def _block(self, raw: bytes) -> bool:
        block = BLOCK.parse(raw)
        if not taken_by_rom(block):
            return False
        if block.total != self._total:
            self._total = block.total
            self._came.clear()
            self._erased.clear()
        self._program(block.address - RPI_PICO.address, block.data[:PAYLOAD_BYTES])
        self._came.add(block.number)
        return len(self._came) == self._total

    def _program(self, offset: int, page: bytes) -> None:
        if not 0 <= offset < RPI_PICO.size:
            return
        with self._flash.open("r+b") as file:
            block = offset // RPI_PICO.block_bytes
            if block not in self._erased:
                self._erased.add(block)
                file.seek(block * RPI_PICO.block_bytes)
                file.write(b"\xff" * RPI_PICO.block_bytes)
            file.seek(offset)
            file.write(page)


def taken_by_rom(block: Any) -> bool:
    """Whether the RP2040's boot ROM takes a block for flash: magics, family, size, place and number must be right."""
    return bool(
        (block.first, block.second, block.last) == (MAGIC_FIRST, MAGIC_SECOND, MAGIC_LAST)
        and block.flags & FLAG_FAMILY
        and not block.flags & FLAG_NOT_FLASH
        and block.family == FAMILY
        and block.payload_bytes == PAYLOAD_BYTES
        and block.address % PAYLOAD_BYTES == 0
        and XIP_BASE <= block.address < XIP_BASE + FLASH_BYTES
        and block.number < block.total
    )
