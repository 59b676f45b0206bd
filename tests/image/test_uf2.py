"""UF2 files that are wrong as a whole, and files that go round."""

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.errors import AirquillError
from airquill.image.layout import XIP_BASE
from airquill.image.uf2 import Uf2, add_blocks, parse_uf2, write_uf2

from .conftest import RP2040, to_uf2, uf2_block

GOOD = to_uf2(bytes(range(256)) * 4)


def changed(number: int, /, **fields: int) -> bytes:
    content = GOOD[number][32:288]
    place = {"address": XIP_BASE + 256 * number, "number": number, "total": len(GOOD)}
    block = uf2_block(payload=content, **(place | fields))
    return b"".join(GOOD[:number]) + block + b"".join(GOOD[number + 1 :])


WRONG = {
    "empty": (b"", "is not a UF2"),
    "a text file": (b"Hello, this is no firmware at all.\n" * 40, "is not a UF2"),
    "an ELF file": (b"\x7fELF" + bytes(1020), "is not a UF2"),
    "cut inside a block": (b"".join(GOOD)[:-100], "cut off inside block 3"),
    "cut between blocks": (b"".join(GOOD[:-1]), "1 of 4 blocks are missing, the first is block 3"),
    "second magic": (changed(2, second=1), "block 2 has a wrong magic number"),
    "last magic": (changed(1, last=1), "block 1 has a wrong magic number"),
    "no family": (changed(1, flags=0), "block 1 does not say for which chip"),
    "not for flash": (changed(1, flags=0x2001), "block 1 is not meant for flash"),
    "file container": (changed(1, flags=0x3000), "block 1 is not meant for flash"),
    "payload": (changed(1, bytes=128), "block 1 carries 128 bytes"),
    "unaligned": (changed(1, address=XIP_BASE + 0x110), "no multiple of 256"),
    "not in flash": (changed(1, address=0x20000000), "0x20000000, which is not in flash"),
    "another chip": (b"".join(to_uf2(b"x" * 512, 0xADA52840)), "another chip (family 0xADA52840)"),
    "two chips": (changed(2, family=0xE48BFF59), "block 2 is for family 0xE48BFF59"),
    "missing in the middle": (b"".join(GOOD[:1] + GOOD[2:]), "1 of 4 blocks are missing, the first is block 1"),
    "doubled": (b"".join([*GOOD, GOOD[2]]), "block 2 is there twice"),
    "two totals": (changed(2, total=9), "block 2 announces 9 blocks, the first one 4"),
    "beyond the total": (changed(3, number=4), "there is a block 4, but only 4 blocks"),
    "overlap": (changed(3, address=XIP_BASE), "two blocks go to address 0x10000000"),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_file_is_refused_with_the_reason(case: str) -> None:
    data, reason = WRONG[case]
    with pytest.raises(AirquillError) as caught:
        parse_uf2(data, "firmware.uf2")
    assert reason in caught.value.sentence
    assert caught.value.sentence.startswith("firmware.uf2")
    assert caught.value.exit_code == 2


@given(st.binary(max_size=2048) | st.builds(lambda tail: b"".join(GOOD) + tail, st.binary(min_size=1, max_size=600)))
def test_no_input_ends_in_anything_but_a_sentence(data: bytes) -> None:
    with pytest.raises(AirquillError):
        parse_uf2(data, "firmware.uf2")


@given(
    st.dictionaries(
        st.integers(0, 4000).map(lambda n: XIP_BASE + 256 * n), st.binary(min_size=256, max_size=256)
    ).filter(bool),
    st.randoms(),
)
def test_a_file_goes_round_and_its_order_does_not_matter(pages: dict[int, bytes], shuffler: random.Random) -> None:
    uf2 = Uf2(RP2040, pages)
    data = write_uf2(uf2)
    assert parse_uf2(data, "x") == uf2
    blocks = [data[at : at + 512] for at in range(0, len(data), 512)]
    shuffler.shuffle(blocks)
    assert parse_uf2(b"".join(blocks), "x") == uf2


def test_memory_is_erased_where_the_file_has_nothing() -> None:
    uf2 = Uf2(RP2040, {XIP_BASE + 256: b"a" * 256})
    assert uf2.memory(XIP_BASE, 1024) == b"\xff" * 256 + b"a" * 256 + b"\xff" * 512
    assert uf2.ranges() == [(XIP_BASE + 256, XIP_BASE + 512)]


def test_a_stock_firmware_in_the_disks_place_is_refused() -> None:
    stock = Uf2(RP2040, {XIP_BASE: bytes(256), XIP_BASE + 0x2000: bytes(256)})
    with pytest.raises(AirquillError, match="itself writes to 0x10002000, inside the file system"):
        add_blocks(stock, XIP_BASE + 0x1000, bytes(0x4000), {0}, 4096)


def test_whole_erase_blocks_are_added() -> None:
    image = bytes(4096) + b"\x01" * 4096 + b"\xff" * 4096
    added = add_blocks(Uf2(RP2040, {XIP_BASE: bytes(256)}), XIP_BASE + 0x10000, image, {0, 2}, 4096)
    assert added.ranges() == [
        (XIP_BASE, XIP_BASE + 256),
        (XIP_BASE + 0x10000, XIP_BASE + 0x11000),
        (XIP_BASE + 0x12000, XIP_BASE + 0x13000),
    ]


def test_the_preface_of_the_newer_chip_is_passed_on(make_stock: Callable[..., Path]) -> None:
    # Source: the chip maker's picotool, elf2uf2.cpp, gen_abs_block; RP2350 data sheet, erratum E10.
    preface = uf2_block(0x10FFFF00, b"\xef" * 256 + (0x9957E304).to_bytes(4, "little"), 0, 2, 0xE48BFF57, flags=0xA000)
    data = make_stock(family=0xE48BFF59, preface=preface).read_bytes()
    uf2 = parse_uf2(data, "x")
    assert uf2.family_name == "RP2350 (Arm, secure)"
    assert uf2.preface == (preface,)
    assert 0x10FFFF00 not in uf2.pages
    assert write_uf2(uf2) == data
    with pytest.raises(AirquillError, match="only a preface"):
        parse_uf2(preface, "x")
