"""The file system image: what goes in comes out, and the store stands where it belongs."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from littlefs import LittleFS, UserContext

from airquill.errors import AirquillError
from airquill.image.layout import RPI_PICO, STORE_BLOCKS, STORE_PATHS, Layout
from airquill.image.littlefs import build_filesystem, read_filesystem, used_blocks
from airquill_protocol import tables

LAYOUTS = [RPI_PICO, Layout(offset=0x100000, block_count=768), Layout(offset=0x12C000, block_count=212)]
ERASED = b"\xff" * 4096
NAME = st.text("abcdefghijklmnopqrstuvwxyz0123456789_.", min_size=1, max_size=20).filter(lambda n: n.strip("."))
FILES = st.dictionaries(
    st.lists(NAME, min_size=1, max_size=3).map(lambda parts: "/f" + "/d_".join(parts)),
    st.binary(max_size=600) | st.sampled_from([0, 127, 128, 129, 4088, 4096, 4097, 20000]).map(lambda n: b"\xa5" * n),
    max_size=12,
).filter(lambda files: not any(other.startswith(path + "/") for path in files for other in files))


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: f"{layout.block_count}-blocks")
@settings(max_examples=30)
@given(files=FILES)
def test_files_come_back_and_the_store_stands_at_its_blocks(layout: Layout, files: dict[str, bytes]) -> None:
    image = build_filesystem(files, layout)
    assert read_filesystem(image, layout) == files | dict.fromkeys(STORE_PATHS, ERASED)
    marked = bytearray(image)
    for role, block in enumerate(STORE_BLOCKS):
        assert image[block * 4096 : (block + 1) * 4096] == ERASED
        marked[block * 4096 : (block + 1) * 4096] = bytes([role]) * 4096
    back = read_filesystem(bytes(marked), layout)
    assert [back[path] for path in STORE_PATHS] == [bytes([role]) * 4096 for role in range(6)]
    assert build_filesystem(dict(reversed(files.items())), layout) == image


def test_the_stores_blocks_are_the_firmwares() -> None:
    assert STORE_BLOCKS[0] == tables.STORE_FIRST_BLOCK
    assert len(STORE_PATHS) == len(STORE_BLOCKS) == 6


@given(files=FILES)
def test_what_is_not_in_use_is_erased(files: dict[str, bytes]) -> None:
    image = build_filesystem(files, RPI_PICO)
    used = used_blocks(image, RPI_PICO)
    assert set(STORE_BLOCKS) <= used
    for block in set(range(RPI_PICO.block_count)) - used:
        assert image[block * 4096 : (block + 1) * 4096] == ERASED


def test_blocks_not_in_use_may_hold_anything() -> None:
    """An update leaves old content there."""
    files = {f"/lib/m{n}.mpy": bytes([n]) * (n * 700) for n in range(30)}
    image = bytearray(build_filesystem(files, RPI_PICO))
    for block in set(range(RPI_PICO.block_count)) - used_blocks(bytes(image), RPI_PICO):
        image[block * 4096 : (block + 1) * 4096] = b"\x5a" * 4096
    assert read_filesystem(bytes(image), RPI_PICO) == files | dict.fromkeys(STORE_PATHS, ERASED)


def test_the_library_alone_reads_it() -> None:
    """Oracle: littlefs-python 0.19.0 (PyPI) with its own defaults, and its count of blocks in use."""
    image = build_filesystem({"/a/b.txt": b"hello" * 1000}, RPI_PICO)
    fs = LittleFS(UserContext(buffer=bytearray(image)), block_size=4096, block_count=352)
    assert fs.open("/a/b.txt", "rb").read() == b"hello" * 1000
    assert fs.fs_stat().disk_version == 0x0002_0000
    assert fs.used_block_count == len(used_blocks(image, RPI_PICO))


@pytest.mark.parametrize(
    ("files", "reason"),
    [
        ({"main.py": b""}, "'main.py' is no path on the chip"),
        ({"/a//b": b""}, "is no path on the chip"),
        ({"/lib/": b""}, "is no path on the chip"),
        ({STORE_PATHS[3]: b""}, "belongs to the unit's own records"),
        ({"/big": bytes(1_500_000)}, "The files do not fit: they have 1500000 bytes"),
        ({"/" + "n" * 300: b""}, "cannot be put into the image"),
        ({"/a": b"", "/a/b": b""}, "cannot be put into the image"),
    ],
)
def test_files_that_cannot_be_stored_are_refused(files: dict[str, bytes], reason: str) -> None:
    with pytest.raises(AirquillError, match=reason):
        build_filesystem(files, RPI_PICO)


def test_a_damaged_disk_is_refused() -> None:
    image = build_filesystem({"/main.py": b"x" * 5000}, RPI_PICO)
    with pytest.raises(AirquillError, match="damaged or missing"):
        read_filesystem(ERASED * 352, RPI_PICO)
    with pytest.raises(AirquillError, match="damaged or missing"):
        read_filesystem(bytes(8192) + image[8192:], RPI_PICO)
    with pytest.raises(AirquillError, match="1441791 bytes where the firmware expects 1441792"):
        read_filesystem(image[:-1], RPI_PICO)
