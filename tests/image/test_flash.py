"""`airquill flash`: an image onto a virtual unit by way of its boot volume, and what may go wrong."""

import errno
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from airquill.image import flash
from airquill.image.build import build
from airquill.link import discovery
from airquill.simulator.control import Control
from command_line import Running, airquill, end, start_unit

MakeStock = Callable[..., Path]

pytestmark = pytest.mark.timeout(200)


@pytest.fixture
def unit(tmp_path: Path) -> Iterator[Running]:
    running = start_unit(tmp_path / "unit")
    yield running
    end(running)


@pytest.fixture(autouse=True)
def no_real_board(monkeypatch: pytest.MonkeyPatch) -> None:
    """The developer's own boards and drives are not looked at."""
    monkeypatch.setattr(flash, "mounted_folders", list)
    monkeypatch.setattr(discovery.list_ports, "comports", list)


@pytest.fixture
def image(make_stock: MakeStock, tmp_path: Path) -> Path:
    build(make_stock(), tmp_path / "heather.uf2")
    return tmp_path / "heather.uf2"


def volume(folder: Path, board_id: str = "RPI-RP2") -> Path:
    folder.mkdir()
    (folder / "INFO_UF2.TXT").write_text(f"UF2 Bootloader v3.0\r\nModel: A board\r\nBoard-ID: {board_id}\r\n")
    return folder


def test_an_image_is_flashed_and_greets_and_settings_stay(unit: Running, image: Path) -> None:
    airquill("set", "--keep", "unit.serial=HEATHER-07", "pump.idle_pct=35", "--port", unit.port).done()
    said = airquill("flash", image, "--port", unit.port, "--json")
    assert said.code == 0, said.err
    inside = airquill("image", "inspect", image, "--json").json
    assert said.json["build"] == inside["build"]
    assert (unit.settings()["unit.serial"], unit.settings()["pump.idle_pct"]) == ("HEATHER-07", 35)
    print("flash:", said.json["took_s"], "s,", said.json["bytes"], "bytes")


def test_a_profile_in_the_image_replaces_settings_but_not_the_serial(
    unit: Running, make_stock: MakeStock, tmp_path: Path
) -> None:
    airquill(
        "set", "--keep", "unit.serial=HEATHER-07", "pump.idle_pct=35", "pump.ramp_ms=99", "--port", unit.port
    ).done()
    profile = tmp_path / "heather.toml"
    profile.write_text("[profile]\nregistry = 1\n[pump]\nidle_pct = 22\n")
    out = tmp_path / "with.uf2"
    airquill("image", "build", "--stock", make_stock(), "--out", out, "--profile", profile).done()
    assert airquill("image", "inspect", out, "--json").json["settings"] == {"pump.idle_pct": "22"}
    said = airquill("flash", out, "--port", unit.port)
    assert "replaced" in said.err
    said.done()
    settings = unit.settings()
    assert settings["unit.serial"] == "HEATHER-07"
    assert (settings["pump.idle_pct"], settings["pump.ramp_ms"]) == (22, 150)


def test_a_copy_that_broke_off_is_done_again_by_the_same_command(unit: Running, image: Path) -> None:
    airquill("do", "boot_volume", "--port", unit.port).done()
    assert flash.find_volume([unit.folder / "volume"], 5) is not None
    content = image.read_bytes()
    (unit.folder / "volume/airquill.uf2").write_bytes(content[: len(content) // 2])
    hands = Control.at(unit.folder / "control")
    hands.power_cut()
    hands.power_up(button=True)
    hands.close()
    assert flash.find_volume([unit.folder / "volume"], 5) is not None
    assert unit.port in airquill("flash", image).done()


def test_a_power_cut_in_the_copy(unit: Running, image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The volume goes away under the copy, as when the plug is pulled; the button brings it back."""
    hands = Control.at(unit.folder / "control")
    whole_copy = flash.copy

    def cut_copy(source: Path, folder: Path, done: Callable[[int], None]) -> None:
        def pull(count: int) -> None:
            done(count)
            hands.power_cut()
            hands.sleep(0.3)

        whole_copy(source, folder, pull)

    with monkeypatch.context() as patch:
        patch.setattr(flash, "copy", cut_copy)
        sentence = airquill("flash", image, "--port", unit.port).sentences(3)
    assert "went away after 65536 of" in sentence
    assert "Hold BOOTSEL" in sentence
    hands.power_up(button=True)
    hands.close()
    assert flash.find_volume([unit.folder / "volume"], 5) is not None
    airquill("flash", image, "--volume", unit.folder / "volume").done()


def test_a_board_in_its_boot_volume_takes_no_update(unit: Running) -> None:
    airquill("do", "boot_volume", "--port", unit.port).done()
    assert flash.find_volume([unit.folder / "volume"], 5) is not None
    assert "waits in its boot volume" in airquill("update", "--port", unit.port).sentences(3)


def test_nothing_there_says_what_to_try(image: Path) -> None:
    sentence = airquill("flash", image).sentences(3)
    assert "only charge" in sentence
    assert "BOOTSEL" in sentence


def test_two_volumes_and_no_volume(image: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    both = [volume(tmp_path / "one"), volume(tmp_path / "two")]
    monkeypatch.setattr(flash, "mounted_folders", lambda: both)
    assert "2 boot volumes" in airquill("flash", image).sentences(2)
    assert "it has no INFO_UF2.TXT" in airquill("flash", image, "--volume", tmp_path).sentences(2)
    assert "no such folder" in airquill("flash", image, "--volume", tmp_path / "gone").sentences(2)


def test_an_image_for_another_chip(image: Path, tmp_path: Path) -> None:
    assert "is for the RP2040" in airquill("flash", image, "--volume", volume(tmp_path / "v", "RP2350")).sentences(2)
    assert "does not know" in airquill("flash", image, "--volume", volume(tmp_path / "w", "OTHER-1")).sentences(2)


def test_a_stock_firmware_and_a_damaged_image_are_refused(make_stock: MakeStock, image: Path, tmp_path: Path) -> None:
    drive = volume(tmp_path / "v")
    assert "without Airquill" in airquill("flash", make_stock(), "--volume", drive).err
    cut = tmp_path / "cut.uf2"
    cut.write_bytes(image.read_bytes()[:-512])
    assert "missing" in airquill("flash", cut, "--volume", drive).sentences(2)
    assert sorted(path.name for path in drive.iterdir()) == ["INFO_UF2.TXT"], "nothing was copied"


def test_a_full_volume(image: Path, tmp_path: Path) -> None:
    drive = volume(tmp_path / "v")
    (drive / flash.TARGET).symlink_to("/dev/full")  # full(4): each write fails with ENOSPC
    assert "is full" in airquill("flash", image, "--volume", drive).sentences(2)


@pytest.mark.parametrize(("number", "word"), [(errno.EROFS, "may not be written"), (errno.EIO, "went away")])
def test_a_volume_that_fails_in_the_copy(
    image: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, word: str
) -> None:
    def fail(_handle: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(flash.os, "fsync", fail)
    answer = airquill("flash", image, "--volume", volume(tmp_path / "v"))
    assert word in answer.sentences(2 if number == errno.EROFS else 3)


def test_a_unit_that_does_not_come_back(image: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flash, "BACK_S", 0.3)
    sentence = airquill("flash", image, "--volume", volume(tmp_path / "v")).sentences(3)
    assert "did not come back" in sentence
    assert "hold BOOTSEL" in sentence
