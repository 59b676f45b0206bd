"""UF2 files against another implementation, in both directions.

Oracle: adafruit-uf2 1.0.0 (PyPI). It takes more than it should (a missing last block, a bad end magic), so it judges
good files only.
"""

from types import ModuleType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.image.layout import RPI_PICO, XIP_BASE
from airquill.image.littlefs import build_filesystem, used_blocks
from airquill.image.uf2 import Uf2, add_blocks, parse_uf2, write_uf2
from conftest import require

try:
    from adafruit_uf2 import uf2conv
except ImportError:
    require(False, "needs adafruit-uf2: pip install adafruit-uf2")

RP2040 = 0xE48BFF56


@pytest.fixture(autouse=True)
def reference() -> ModuleType:
    """The other implementation, which keeps address and family in globals."""
    uf2conv.appstartaddr = XIP_BASE
    uf2conv.familyid = RP2040
    return uf2conv


def pages(content: bytes) -> dict[int, bytes]:
    return {XIP_BASE + at: content[at : at + 256].ljust(256, b"\0") for at in range(0, len(content), 256)}


@given(st.binary(min_size=1, max_size=3000))
def test_both_write_the_same_file(content: bytes) -> None:
    uf2conv.appstartaddr, uf2conv.familyid = XIP_BASE, RP2040
    assert write_uf2(Uf2(RP2040, pages(content))) == uf2conv.convert_to_uf2(content)


@given(st.binary(min_size=1, max_size=3000))
def test_what_the_other_writes_is_read(content: bytes) -> None:
    uf2conv.appstartaddr, uf2conv.familyid = XIP_BASE, RP2040
    assert parse_uf2(uf2conv.convert_to_uf2(content), "theirs.uf2") == Uf2(RP2040, pages(content))


def test_the_other_reads_a_whole_image(reference: ModuleType) -> None:
    image = build_filesystem({"/main.py": b"print('here')\n" * 500}, RPI_PICO)
    program = Uf2(RP2040, pages(bytes(range(256)) * 30))
    file = write_uf2(add_blocks(program, RPI_PICO.address, image, used_blocks(image, RPI_PICO), RPI_PICO.block_bytes))
    content = reference.convert_from_uf2(file)
    assert content[: 30 * 256] == bytes(range(256)) * 30
    disk = content[RPI_PICO.offset :]
    assert disk == image[: len(disk)]
    assert set(image[len(disk) :]) <= {0xFF}
