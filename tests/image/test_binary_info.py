"""Binary info of made-up and damaged programs, and of a real one."""

import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.image.binary_info import BlockDevice, read_binary_info

from .conftest import program


def test_everything_is_read() -> None:
    info = read_binary_info(program())
    assert info
    assert (info.program, info.version, info.board, info.binary_end) == ("MicroPython", "v1.28.0", "pico", 0x10001F00)
    assert info.file_system() == BlockDevice("MicroPython", 0x100A0000, 0x160000)


def test_a_program_without_disk_or_info() -> None:
    info = read_binary_info(program(disk=None))
    assert info and info.file_system() is None
    assert read_binary_info(program(info=False)) is None
    assert read_binary_info(b"") is None


@given(st.lists(st.tuples(st.integers(0, 2047), st.integers(0, 2**32 - 1)), max_size=20))
def test_damage_gives_an_answer_or_none(words: list[tuple[int, int]]) -> None:
    damaged = bytearray(program())
    for index, word in words:
        struct.pack_into("<I", damaged, 4 * index, word)
    read_binary_info(bytes(damaged))


@pytest.mark.parametrize("word", range(0xD4, 0xE8, 4))
def test_each_damaged_header_word_is_noticed(word: int) -> None:
    damaged = bytearray(program())
    struct.pack_into("<I", damaged, word, 0xDEADBEEC)
    assert read_binary_info(bytes(damaged)) is None


@pytest.mark.chip
def test_a_stock_firmware(stock_uf2: Path) -> None:
    """Source: MicroPython v1.28.0, ports/rp2/boards/RPI_PICO, and the chip maker's SDK for the end of the program."""
    file = stock_uf2.read_bytes()
    flash = b"".join(file[at + 32 : at + 288] for at in range(0, len(file), 512))
    info = read_binary_info(flash)
    assert info
    assert (info.program, info.board) == ("MicroPython", "pico")
    assert info.version.startswith("v1.")
    assert info.file_system() == BlockDevice("MicroPython", 0x100A0000, 1408 * 1024)
    assert info.binary_end and 0 <= 0x10000000 + len(flash) - info.binary_end < 256
