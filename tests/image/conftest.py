"""A made-up stock firmware, laid out by hand after the SDK's description of binary info."""

import os
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

XIP = 0x10000000
RP2040 = 0xE48BFF56


def uf2_block(address: int, payload: bytes, number: int, total: int, family: int = RP2040, **changed: int) -> bytes:
    """One block after the published specification."""
    fields = {
        "first": 0x0A324655,
        "second": 0x9E5D5157,
        "flags": 0x2000,
        "address": address,
        "bytes": 256,
        "number": number,
        "total": total,
        "family": family,
        "last": 0x0AB16F30,
    } | changed
    last = fields.pop("last")
    return struct.pack("<8I", *fields.values()) + payload.ljust(476, b"\0") + struct.pack("<I", last)


def to_uf2(program: bytes, family: int = RP2040) -> list[bytes]:
    """The blocks of a program at the start of flash."""
    total = -(-len(program) // 256)
    return [uf2_block(XIP + 256 * n, program[256 * n : 256 * n + 256], n, total, family) for n in range(total)]


def program(
    *,
    name: str = "MicroPython",
    version: str = "v1.28.0",
    board: str = "pico",
    prompt: str = "Raspberry Pi Pico with RP2040",
    disk: tuple[int, int] | None = (0x100A0000, 0x160000),
    info: bool = True,
    usb: bool = True,
) -> bytes:
    """A program of 8 KiB that says these things about itself. The disk's name lies in RAM."""
    out = bytearray(8192)
    texts = 0x1000

    def put(text: str) -> int:
        nonlocal texts
        at = texts
        out[at : at + len(text) + 1] = text.encode() + b"\0"
        texts += len(text) + 1
        return XIP + at

    pointers = []
    at = 0x400

    def entry(data: bytes) -> None:
        nonlocal at
        out[at : at + len(data)] = data
        pointers.append(XIP + at)
        at += -(-len(data) // 4) * 4

    tag = int.from_bytes(b"RP", "little")
    entry(struct.pack("<HHII", 6, tag, 0x02031C86, put(name)))
    entry(struct.pack("<HHII", 6, tag, 0x11A9BC3A, put(version)))
    entry(struct.pack("<HHII", 6, tag, 0xB63CFFBB, put(board)))
    entry(struct.pack("<HHII", 5, tag, 0x68F465DE, XIP + 0x1F00))
    entry(struct.pack("<HHI", 8, tag, 0x1234))  # pins: skipped by a reader
    if disk:
        ram_name = 0x20000100
        out[0x1800:0x180C] = b"MicroPython\0"
        entry(struct.pack("<HHIIIIH", 7, int.from_bytes(b"MP", "little"), ram_name, *disk, 0, 0))
    out[0x300:0x30C] = struct.pack("<3I", XIP + 0x1800, 0x20000100, 0x20000120)
    out[0x380 : 0x380 + 4 * len(pointers)] = struct.pack(f"<{len(pointers)}I", *pointers)
    if info:
        start = XIP + 0x380
        header = (0x7188EBF2, start, start + 4 * len(pointers), XIP + 0x300, 0xE71AA390)
        out[0xD4:0xE8] = struct.pack("<5I", *header)
    put(f"3.4.0; MicroPython {version} on 2026-04-06")
    put(f"; {prompt}")
    put("USBDevice" if usb else "USBNothing")
    return bytes(out)


@pytest.fixture
def make_stock(tmp_path: Path) -> Callable[..., Path]:
    """Write a stock firmware with these properties; see `program`. `family` and `preface` are the UF2's."""

    def make(family: int = RP2040, preface: bytes = b"", **about: Any) -> Path:
        path = tmp_path / "stock.uf2"
        path.write_bytes(preface + b"".join(to_uf2(program(**about), family)))
        return path

    return make


@pytest.fixture
def stock_uf2_rp2350() -> Path:
    """A stock MicroPython UF2 for an RP2350 board; the test is skipped when none was named."""
    named = os.environ.get("AIRQUILL_STOCK_UF2_RP2350")
    if not named:
        pytest.skip("needs a stock MicroPython UF2 for an RP2350 board: name it by AIRQUILL_STOCK_UF2_RP2350")
    return Path(named)
