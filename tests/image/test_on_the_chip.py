"""Built images on the emulated chip, under the stock MicroPython. Oracle: rp2040py 0.3.6 (PyPI)."""

from pathlib import Path

import pytest

from airquill.image.build import build
from airquill.image.layout import STORE_BLOCKS, STORE_PATHS
from airquill.image.littlefs import build_filesystem, used_blocks
from airquill.image.stock import read_stock
from airquill.image.uf2 import add_blocks, write_uf2
from conftest import require

try:
    from airquill_hil.chip.emulator import Chip
except ImportError:
    require(False, "needs rp2040py: pip install airquill[chip]")

pytestmark = [pytest.mark.chip, pytest.mark.timeout(300)]

FIRST = f"""
import rp2
flash = rp2.Flash()
for block in {list(STORE_BLOCKS)}:
    flash.writeblocks(block, bytes([block]) * 256, 0)
print("first is done")
"""
SECOND = f"""
import os
kept = []
for path in {list(STORE_PATHS)}:
    with open(path, "rb") as file:
        kept.append(file.read(256)[0] if os.stat(path)[6] == 4096 else -1)
print("second kept", kept, sorted(os.listdir("/")))
"""


def image_on(stock_uf2: Path, out: Path, files: dict[str, bytes]) -> Path:
    stock = read_stock(stock_uf2)
    disk = build_filesystem(files, stock.layout)
    used = used_blocks(disk, stock.layout) - set(STORE_BLOCKS)
    out.write_bytes(write_uf2(add_blocks(stock.uf2, stock.layout.address, disk, used, stock.layout.block_bytes)))
    return out


def test_a_newer_image_boots_and_keeps_the_records(stock_uf2: Path, tmp_path: Path) -> None:
    first = image_on(stock_uf2, tmp_path / "a.uf2", {"/main.py": FIRST.encode(), "/old.py": b"OLD = 1\n" * 900})
    second = image_on(stock_uf2, tmp_path / "b.uf2", {"/main.py": SECOND.encode(), "/new.py": b""})
    chip = Chip(first)
    chip.wait(5000, lambda: b"first is done" in chip.received, "run the first image")
    chip.cut_power()
    pages = read_stock(second).uf2.pages
    for sector in {address // 4096 for address in pages}:  # the ROM erases a sector when its first page arrives
        chip.write_flash(sector * 4096 - 0x10000000, b"\xff" * 4096)
    for address, page in pages.items():
        chip.write_flash(address - 0x10000000, page)
    chip.received.clear()
    chip.power_up()
    chip.wait(5000, lambda: b"]\r\n" in chip.received, "run the second image")
    assert f"second kept {list(STORE_BLOCKS)} ['main.py', 'new.py', 'store']" in chip.received.decode()


@pytest.mark.slow
def test_the_firmware_greets_with_the_hash_of_its_image(stock_uf2: Path, tmp_path: Path) -> None:
    report = build(stock_uf2, tmp_path / "out.uf2")
    chip = Chip(tmp_path / "out.uf2")
    chip.boot()
    chip.run(300)
    chip.send(b"\nhello\n")
    chip.wait(2000, lambda: b"caps=" in chip.received, "answer the greeting")
    greeting = chip.received.decode()
    assert f"firmware={report.airquill} build={report.build} " in greeting
    assert f"hash={report.registry} board={report.wiring} " in greeting
