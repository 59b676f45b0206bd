"""Where things stand in a chip's flash."""

from __future__ import annotations

from dataclasses import dataclass

from airquill_protocol import tables

XIP_BASE = 0x10000000
"""Address at which the processor sees flash offset 0. Source: RP2040 data sheet, address map; RP2350 has the same."""


@dataclass(frozen=True)
class Layout:
    """Place and shape of the file system in flash.

    The block count must be the one that the stock firmware expects: at boot it formats away a smaller file system.
    """

    offset: int = 0xA0000
    """Bytes from the start of flash."""
    block_count: int = 352
    block_bytes: int = 4096
    program_bytes: int = 256

    @property
    def address(self) -> int:
        """Address of block 0 as the processor and a UF2 see it."""
        return XIP_BASE + self.offset

    @property
    def size(self) -> int:
        """Bytes of the whole file system."""
        return self.block_count * self.block_bytes


RPI_PICO = Layout()
"""RP2040 with 2 MiB of flash: the last 1408 KiB. Source: MicroPython v1.28.0, ports/rp2/rp2_flash.c, board files."""

STORE_PATHS: tuple[str, ...] = tuple(
    f"/store/{name}" for name in ("settings.0", "settings.1", "unit.0", "unit.1", "life.0", "life.1")
)
"""Files of exactly one block that hold the unit's records, by role number."""

STORE_BLOCKS: range = range(tables.STORE_FIRST_BLOCK, tables.STORE_FIRST_BLOCK + len(STORE_PATHS))
"""Their blocks of the file system, by role number; the same in every image."""
