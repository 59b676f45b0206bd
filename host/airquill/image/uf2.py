"""UF2 files for the RP2040 and RP2350: read with every check the boot ROM makes and some more, merge, write.

Source: the USB Flashing Format specification (github.com/microsoft/uf2); family ids: the chip
maker's open SDK, boot/uf2.h.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from construct import Bytes, Int32ul, Struct

from airquill.errors import AirquillError
from airquill.image.layout import XIP_BASE

BLOCK_BYTES = 512
PAYLOAD_BYTES = 256
MAGIC_FIRST, MAGIC_SECOND, MAGIC_LAST = 0x0A324655, 0x9E5D5157, 0x0AB16F30
FLAG_NOT_FLASH, FLAG_CONTAINER, FLAG_FAMILY = 0x0001, 0x1000, 0x2000

FAMILIES = {
    0xE48BFF56: "RP2040",
    0xE48BFF59: "RP2350 (Arm, secure)",
    0xE48BFF5A: "RP2350 (RISC-V)",
    0xE48BFF5B: "RP2350 (Arm, non-secure)",
}
ABSOLUTE_FAMILY = 0xE48BFF57
"""A block of this family precedes an RP2350 firmware (erratum E10 of that chip); it stands outside the count."""

FLASH_BYTES = 16 * 1024 * 1024
"""Largest flash either chip maps. Source: RP2040 data sheet, address map."""

BLOCK = Struct(
    "first" / Int32ul,
    "second" / Int32ul,
    "flags" / Int32ul,
    "address" / Int32ul,
    "payload_bytes" / Int32ul,
    "number" / Int32ul,
    "total" / Int32ul,
    "family" / Int32ul,
    "data" / Bytes(476),
    "last" / Int32ul,
)


@dataclass(frozen=True)
class Uf2:
    """What a UF2 puts into flash."""

    family: int
    pages: dict[int, bytes]
    """Address to 256 bytes."""
    preface: tuple[bytes, ...] = field(default=())
    """Whole blocks that precede the counted ones and are passed on as they are."""

    @property
    def family_name(self) -> str:
        return FAMILIES[self.family]

    def memory(self, start: int, size: int) -> bytes:
        """Flash from an address on, erased where the file has nothing."""
        content = bytearray(b"\xff" * size)
        for address, page in self.pages.items():
            if start <= address < start + size:
                content[address - start : address - start + PAYLOAD_BYTES] = page
        return bytes(content[:size])

    def ranges(self) -> list[tuple[int, int]]:
        """Addresses covered without a gap: start and end of each run, ascending."""
        runs: list[tuple[int, int]] = []
        for address in sorted(self.pages):
            if runs and runs[-1][1] == address:
                runs[-1] = (runs[-1][0], address + PAYLOAD_BYTES)
            else:
                runs.append((address, address + PAYLOAD_BYTES))
        return runs


def parse_uf2(data: bytes, name: str) -> Uf2:
    """Read a UF2. Raises AirquillError with the reason, the block and the file's `name` for whatever is wrong."""
    if data[:4] != MAGIC_FIRST.to_bytes(4, "little"):
        raise AirquillError(f"{name} is not a UF2 file. Give the firmware as it was downloaded, with the ending .uf2.")
    if len(data) % BLOCK_BYTES:
        raise AirquillError(f"{name} is cut off inside block {len(data) // BLOCK_BYTES}. Download or build it again.")
    preface: list[bytes] = []
    blocks: list[Any] = []
    for start in range(0, len(data), BLOCK_BYTES):
        raw = data[start : start + BLOCK_BYTES]
        block = BLOCK.parse(raw)
        _check_block(block, start // BLOCK_BYTES, name)
        if block.family == ABSOLUTE_FAMILY and not blocks:
            preface.append(raw)
        else:
            blocks.append(block)
    if not blocks:
        raise AirquillError(f"{name} holds no firmware, only a preface. Download or build it again.")
    family = blocks[0].family
    if family not in FAMILIES:
        raise AirquillError(
            f"{name} is for another chip (family 0x{family:08X}). Airquill runs on the RP2040 and the RP2350."
        )
    return Uf2(family, _collect(blocks, name), tuple(preface))


def _check_block(block: Any, index: int, name: str) -> None:
    if (block.first, block.second, block.last) != (MAGIC_FIRST, MAGIC_SECOND, MAGIC_LAST):
        raise AirquillError(f"{name} is damaged: block {index} has a wrong magic number. Download or build it again.")
    if not block.flags & FLAG_FAMILY:
        raise AirquillError(f"{name}: block {index} does not say for which chip it is. The chip would ignore it.")
    if block.flags & (FLAG_NOT_FLASH | FLAG_CONTAINER):
        raise AirquillError(f"{name}: block {index} is not meant for flash. Give a plain firmware file.")
    if block.payload_bytes != PAYLOAD_BYTES:
        raise AirquillError(
            f"{name}: block {index} carries {block.payload_bytes} bytes; the chip takes {PAYLOAD_BYTES} only."
        )
    if block.address % PAYLOAD_BYTES:
        raise AirquillError(
            f"{name}: block {index} goes to address 0x{block.address:08X}, which is no multiple of {PAYLOAD_BYTES}."
        )
    if not XIP_BASE <= block.address < XIP_BASE + FLASH_BYTES:
        raise AirquillError(f"{name}: block {index} goes to address 0x{block.address:08X}, which is not in flash.")


def _collect(blocks: list[Any], name: str) -> dict[int, bytes]:
    total = blocks[0].total
    seen: set[int] = set()
    pages: dict[int, bytes] = {}
    for block in blocks:
        if block.family != blocks[0].family:
            raise AirquillError(
                f"{name}: block {block.number} is for family 0x{block.family:08X}, the first one for "
                f"0x{blocks[0].family:08X}. Give a file for one chip."
            )
        if block.total != total:
            raise AirquillError(
                f"{name}: block {block.number} announces {block.total} blocks, the first one {total}. "
                "Download or build it again."
            )
        if block.number >= total:
            raise AirquillError(f"{name}: there is a block {block.number}, but only {total} blocks are announced.")
        if block.number in seen:
            raise AirquillError(f"{name}: block {block.number} is there twice. Download or build it again.")
        if block.address in pages:
            raise AirquillError(f"{name}: two blocks go to address 0x{block.address:08X}. Download or build it again.")
        seen.add(block.number)
        pages[block.address] = block.data[:PAYLOAD_BYTES]
    if len(seen) != total:
        missing = next(number for number in range(total) if number not in seen)
        raise AirquillError(
            f"{name}: {total - len(seen)} of {total} blocks are missing, the first is block {missing}. "
            "Download or build it again."
        )
    return pages


def write_uf2(uf2: Uf2) -> bytes:
    """The file: the preface, then all pages by ascending address, numbered anew."""
    out = bytearray(b"".join(uf2.preface))
    for number, address in enumerate(sorted(uf2.pages)):
        out += BLOCK.build(
            {
                "first": MAGIC_FIRST,
                "second": MAGIC_SECOND,
                "flags": FLAG_FAMILY,
                "address": address,
                "payload_bytes": PAYLOAD_BYTES,
                "number": number,
                "total": len(uf2.pages),
                "family": uf2.family,
                "data": uf2.pages[address].ljust(476, b"\0"),
                "last": MAGIC_LAST,
            }
        )
    return bytes(out)


def add_blocks(stock: Uf2, start: int, image: bytes, blocks: set[int], block_bytes: int) -> Uf2:
    """`stock` with the named blocks of `image` put at address `start`.

    Whole erase blocks are added: the ROM erases one as soon as a page of it arrives. Raises AirquillError when the
    stock firmware reaches into the image's place.
    """
    end = start + len(image)
    taken = [address for address in stock.pages if start <= address < end]
    if taken:
        raise AirquillError(
            f"The stock firmware itself writes to 0x{min(taken):08X}, inside the file system from 0x{start:08X} to "
            f"0x{end:08X}. Give a stock firmware without files of its own."
        )
    pages = dict(stock.pages)
    for block in blocks:
        for offset in range(block * block_bytes, (block + 1) * block_bytes, PAYLOAD_BYTES):
            pages[start + offset] = image[offset : offset + PAYLOAD_BYTES]
    return Uf2(stock.family, pages, stock.preface)
