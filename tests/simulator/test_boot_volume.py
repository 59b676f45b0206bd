"""The boot volume of a virtual unit, with UF2 files laid out by hand after the published specification.

Which blocks the ROM takes was tried on the RP2040's own mask ROM: tests/oracles/test_uf2_boot_rom.py.
"""

import shutil
import struct
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from airquill.image.build import firmware_files
from airquill.image.layout import RPI_PICO, STORE_BLOCKS
from airquill.image.littlefs import build_filesystem, used_blocks
from airquill.link.volumes import boot_volumes
from airquill.simulator.bootvolume import BootVolume
from simulator.running import PATIENCE_S, Running

RP2040 = 0xE48BFF56


def block(address: int, page: bytes, number: int, total: int, **changed: int) -> bytes:
    f = {"first": 0x0A324655, "flags": 0x2000, "size": 256, "family": RP2040, "last": 0x0AB16F30} | changed
    head = struct.pack("<8I", f["first"], 0x9E5D5157, f["flags"], address, f["size"], number, total, f["family"])
    return head + page.ljust(476, b"\0") + struct.pack("<I", f["last"])


def disk_uf2(files: dict[str, bytes]) -> bytes:
    """A file that carries the used blocks of a disk, without the store's."""
    image = build_filesystem(files, RPI_PICO)
    numbers = sorted(used_blocks(image, RPI_PICO) - set(STORE_BLOCKS))
    pages = [number * 4096 + start for number in numbers for start in range(0, 4096, 256)]
    return b"".join(block(RPI_PICO.address + at, image[at : at + 256], n, len(pages)) for n, at in enumerate(pages))


@pytest.fixture
def volume(tmp_path: Path) -> BootVolume:
    flash = tmp_path / "flash.bin"
    flash.write_bytes(b"\0" * RPI_PICO.size)
    return BootVolume(tmp_path / "volume", flash)


def content(volume: BootVolume, at: int, size: int) -> bytes:
    return (volume.folder.parent / "flash.bin").read_bytes()[at : at + size]


def test_it_is_known_for_a_boot_volume(volume: BootVolume) -> None:
    (found,) = boot_volumes([volume.folder])
    assert found.board_id == "RPI-RP2"


def test_blocks_are_taken_as_they_come_in_any_order(volume: BootVolume) -> None:
    base = RPI_PICO.address
    data = [block(base + n * 256, bytes([n]) * 256, n, 3) for n in (2, 0, 1)]
    with (volume.folder / "new.uf2").open("wb") as file:
        for part in (data[0], data[1][:100]):
            file.write(part)
            file.flush()
            assert not volume.take()
        file.write(data[1][100:] + data[2])
    assert content(volume, 512, 256) == bytes([2]) * 256
    assert volume.take()
    assert content(volume, 0, 768) == b"".join(bytes([n]) * 256 for n in range(3))
    assert content(volume, 768, 4096 - 768) == b"\xff" * (4096 - 768), "the erase takes the whole flash block"
    assert content(volume, 4096, 256) == bytes(256)


@pytest.mark.parametrize(
    "changed",
    [{"first": 1}, {"last": 1}, {"flags": 0}, {"flags": 0x2001}, {"size": 255}, {"family": 0xE48BFF59}],
)
def test_what_the_rom_does_not_take_is_ignored(volume: BootVolume, changed: dict[str, int]) -> None:
    (volume.folder / "new.uf2").write_bytes(block(RPI_PICO.address, b"x" * 256, 0, 1, **changed))
    assert not volume.take()
    assert content(volume, 0, 256) == bytes(256)


def test_unaligned_beyond_the_count_and_other_files_are_ignored(volume: BootVolume) -> None:
    base = RPI_PICO.address
    (volume.folder / "a.uf2").write_bytes(block(base + 1, b"x" * 256, 0, 1) + block(base, b"x" * 256, 1, 1))
    (volume.folder / "notes.txt").write_bytes(b"twenty boards" * 100)
    assert not volume.take()
    assert content(volume, 0, 512) == bytes(512)


def wait_for(what: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not what():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_a_dropped_firmware_runs_and_settings_stay(start: Callable[..., Running]) -> None:
    unit = start()
    before = unit.line.greet()
    unit.line.ask('set unit.name="Heather"')
    unit.line.ask("save")
    files = firmware_files()
    files["/build.txt"] = b"00c0ffee"
    unit.line.ask("do boot_volume")
    volume = unit.folder / "volume"
    wait_for((volume / "INFO_UF2.TXT").exists)
    source = unit.folder.parent / "new.uf2"
    source.write_bytes(disk_uf2(files))
    shutil.copyfile(source, volume / "new.uf2")
    hello = unit.greet_again()
    assert hello["build"] == "00c0ffee" != before["build"]
    assert unit.line.get("unit.name") == '"Heather"'
    assert not volume.exists()


def test_an_interrupted_copy_is_recovered_by_the_button(start: Callable[..., Running]) -> None:
    unit = start()
    unit.line.greet()
    whole = disk_uf2(firmware_files())
    unit.line.ask("do boot_volume")
    volume = unit.folder / "volume"
    wait_for(volume.exists)
    (volume / "new.uf2").write_bytes(whole[: len(whole) // 2])
    time.sleep(0.2)
    unit.hands.power_cut()
    assert not volume.exists()
    unit.hands.power_up(button=True)
    wait_for((volume / "INFO_UF2.TXT").exists)
    (volume / "new.uf2").write_bytes(whole)
    assert unit.greet_again()["board"] == "virtual"
