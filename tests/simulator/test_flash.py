"""The virtual flash: NOR rules, block device, what a power cut leaves behind."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from littlefs import LittleFS, UserContext

from airquill.pneumatics.sensor import Noise
from airquill.simulator.flash import BLOCK_BYTES, ERASE_US, PAGE_BYTES, FileCells, Flash, MemoryCells, PowerCut

PAGES = st.binary(min_size=PAGE_BYTES, max_size=PAGE_BYTES)


class Time:
    def __init__(self) -> None:
        self.us = 0

    def pass_by(self, us: int) -> None:
        self.us += us


def make(seed: int = 1) -> tuple[Flash, Time]:
    time = Time()
    return Flash(MemoryCells(), Noise(seed), time.pass_by), time


def read(flash: Flash, block: int, offset: int, size: int) -> bytes:
    out = bytearray(size)
    flash.read(block, offset, out)
    return bytes(out)


@given(PAGES, PAGES)
def test_programming_only_clears_bits(first: bytes, second: bytes) -> None:
    flash, _ = make()
    flash.program(3, 256, first)
    assert read(flash, 3, 256, PAGE_BYTES) == first
    flash.program(3, 256, second)
    assert read(flash, 3, 256, PAGE_BYTES) == bytes(a & b for a, b in zip(first, second, strict=True))
    assert read(flash, 3, 0, 256) == b"\xff" * 256


def test_erasing_takes_the_whole_block_and_its_time() -> None:
    flash, time = make()
    flash.program(3, 0, bytes(BLOCK_BYTES))
    flash.program(4, 0, bytes(PAGE_BYTES))
    before = time.us
    flash.erase(3)
    assert time.us - before == ERASE_US
    assert read(flash, 3, 0, BLOCK_BYTES) == b"\xff" * BLOCK_BYTES
    assert read(flash, 4, 0, PAGE_BYTES) == bytes(PAGE_BYTES)


@pytest.mark.parametrize(("offset", "size"), [(1, 256), (0, 100), (255, 256)])
def test_part_of_a_page_cannot_be_programmed(offset: int, size: int) -> None:
    flash, _ = make()
    with pytest.raises(ValueError, match="whole pages"):
        flash.program(0, offset, bytes(size))


@pytest.mark.parametrize("n", [1, 2, 5])
def test_the_power_goes_in_the_middle_of_the_nth_write(n: int) -> None:
    flash, _ = make(seed=n)
    flash.cut_in = n
    for done in range(n - 1):
        flash.program(0, done * PAGE_BYTES, bytes(PAGE_BYTES))
    with pytest.raises(PowerCut):
        flash.program(0, (n - 1) * PAGE_BYTES, bytes(PAGE_BYTES))
    page = read(flash, 0, (n - 1) * PAGE_BYTES, PAGE_BYTES)
    reached = len(page) - len(page.lstrip(b"\0"))
    assert reached < PAGE_BYTES, "the write was not torn"
    assert page[reached + 1 :] == b"\xff" * (PAGE_BYTES - reached - 1)
    assert read(flash, 0, n * PAGE_BYTES, PAGE_BYTES) == b"\xff" * PAGE_BYTES
    # Power is back: the next write is whole again.
    flash.program(1, 0, bytes(PAGE_BYTES))
    assert read(flash, 1, 0, PAGE_BYTES) == bytes(PAGE_BYTES)


@given(st.integers(0, 10000))
def test_a_torn_write_sets_no_bit_that_the_whole_one_would_clear(seed: int) -> None:
    """Byte by byte the page is as it was, as it should be, or between the two."""
    flash, _ = make(seed)
    old, new = bytes(range(256)), bytes(255 - n for n in range(256))
    flash.program(0, 0, old)
    flash.cut_in = 1
    with pytest.raises(PowerCut):
        flash.program(0, 0, new)
    for was, wanted, got in zip(old, new, read(flash, 0, 0, PAGE_BYTES), strict=True):
        assert got & ~was == 0
        assert got & (was & wanted) == was & wanted


def test_a_torn_erase_leaves_the_rest_as_it_was() -> None:
    flash, _ = make(seed=4)
    flash.program(7, 0, bytes(BLOCK_BYTES))
    flash.cut_in = 1
    with pytest.raises(PowerCut):
        flash.erase(7)
    block = read(flash, 7, 0, BLOCK_BYTES)
    erased = len(block) - len(block.lstrip(b"\xff"))
    assert 0 < erased < BLOCK_BYTES
    assert block[erased:] == bytes(BLOCK_BYTES - erased)


def test_a_worn_flash_keeps_wrong_bits_and_a_stalling_one_takes_longer() -> None:
    flash, time = make()
    flash.worn = 0.3
    wrong = 0
    for n in range(100):
        flash.program(n // 16, n % 16 * PAGE_BYTES, bytes(PAGE_BYTES))
        wrong += read(flash, n // 16, n % 16 * PAGE_BYTES, PAGE_BYTES) != bytes(PAGE_BYTES)
    assert 15 < wrong < 50
    flash.stall = 1.0
    times = []
    for _ in range(20):
        before = time.us
        flash.erase(0)
        times.append(time.us - before)
    # 45 to 400 ms: data sheets of flash chips, from memory.
    assert all(45000 <= us <= 400000 for us in times)
    assert max(times) > 100000


def test_littlefs_works_on_it(tmp_path: Path) -> None:
    """Oracle: littlefs-python 0.19 writes and reads through the block device; a bit set again would trip it."""
    path = tmp_path / "flash.bin"
    path.write_bytes(b"\xff" * BLOCK_BYTES * 352)
    flash = Flash(FileCells(str(path)), Noise(1), lambda us: None)

    class Device(UserContext):
        def read(self, cfg: object, block: int, off: int, size: int) -> bytearray:
            out = bytearray(size)
            flash.readblocks(block, out, off)
            return out

        def prog(self, cfg: object, block: int, off: int, data: bytes) -> int:
            flash.writeblocks(block, data, off)
            return 0

        def erase(self, cfg: object, block: int) -> int:
            return flash.ioctl(6, block) or 0

        def sync(self, cfg: object) -> int:
            return 0

    sizes = {"block_size": flash.ioctl(5, 0), "block_count": flash.ioctl(4, 0), "prog_size": 256, "read_size": 256}
    fs = LittleFS(context=Device(0), mount=False, cache_size=4096, **sizes)
    fs.format()
    fs.mount()
    content = bytes(range(256)) * 100
    for n in range(30):
        with fs.open(f"/f{n % 5}", "wb") as file:
            file.write(content[n:])
    fs.unmount()
    again = LittleFS(context=Device(0), mount=False, cache_size=4096, **sizes)
    again.mount()
    for n in range(25, 30):
        with again.open(f"/f{n % 5}", "rb") as file:
            assert file.read() == content[n:]
