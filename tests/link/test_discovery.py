"""What is found, and what is left alone."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from airquill.errors import AirquillError
from airquill.link import discovery, state, volumes
from airquill.link.discovery import find, find_at, the_only_unit
from airquill.link.state import announce, announced, withdraw


@dataclass
class Usb:
    """A serial port as pyserial lists it."""

    device: str
    product: str | None = None
    vid: int | None = None
    pid: int | None = None


STRANGER = Usb("/dev/ttyUSB7", "Milling machine", 0x0403, 0x6001)
BARE = Usb("/dev/ttyACM3", "Board in FS mode", 0x2E8A, 0x0005)
# Text of a real INFO_UF2.TXT, from memory of the RP2040's boot ROM.
INFO = "UF2 Bootloader v3.0\r\nModel: Raspberry Pi RP2\r\nBoard-ID: RPI-RP2\r\n"


@pytest.fixture(autouse=True)
def own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "state"
    monkeypatch.setenv("AIRQUILL_STATE", str(folder))
    return folder


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Ports that were opened; opening them fails as an empty place does."""
    opened: list[str] = []

    def open_(url: str) -> Any:
        opened.append(url)
        raise AirquillError(f"There is no port {url}.", 3)

    monkeypatch.setattr(discovery.Client, "open", open_)
    return opened


def test_only_what_calls_itself_airquill_is_written_to(written: list[str]) -> None:
    unit = Usb("/dev/ttyACM0", "Airquill", 0x2E8A, 0x0005)
    other_python = Usb("/dev/ttyACM4", "Weather station", 0x2E8A, 0x0005)
    found = find([STRANGER, BARE, unit, other_python], [])
    assert written == ["/dev/ttyACM0"]
    assert [(one.kind, one.port) for one in found] == [
        ("no unit", "/dev/ttyACM0"),
        ("board", "/dev/ttyACM3"),
        ("board", "/dev/ttyACM4"),
    ]


def test_a_board_without_product_string_is_greeted_when_its_numbers_are_micropythons(written: list[str]) -> None:
    """Windows tells numbers alone."""
    find([Usb("COM3", None, 0x2E8A, 0x0005), Usb("COM4", None, 0x0403, 0x6001), Usb("COM1")], [])
    assert written == ["COM3"]


def test_a_bare_board_is_named_with_the_next_command() -> None:
    (board,) = find([BARE], [])
    assert board.kind == "board"
    assert "airquill image build" in board.next
    assert not board.is_unit


def test_a_boot_volume_is_named_with_the_next_command(tmp_path: Path) -> None:
    (tmp_path / "usb stick").mkdir()
    drive = tmp_path / "RPI-RP2"
    drive.mkdir()
    (drive / "INFO_UF2.TXT").write_bytes(INFO.encode())
    (volume,) = find([], [tmp_path / "usb stick", drive, tmp_path / "gone"])
    assert (volume.kind, volume.port, volume.board) == ("boot volume", str(drive), "RPI-RP2")
    assert "airquill image build" in volume.next
    assert str(drive) in volume.next
    (read,) = volumes.boot_volumes([drive])
    assert read.model == "Raspberry Pi RP2"


def test_a_file_of_that_name_without_board_id_is_no_boot_volume(tmp_path: Path) -> None:
    (tmp_path / "INFO_UF2.TXT").write_text("notes about INFO_UF2.TXT\nsee Board-ID: in the middle\n")
    assert volumes.boot_volumes([tmp_path]) == []


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc/mounts")
def test_mount_points_with_spaces(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = "/dev/sda1 /mnt/my\\040board vfat rw 0 0\n/dev/sda2 / ext4 rw 0 0\nnas:/x /mnt/nas nfs rw 0 0\n"
    monkeypatch.setattr(Path, "read_text", lambda self, **_: lines)
    assert volumes._linux_mounts() == [Path("/mnt/my board")]


def test_the_mounted_folders_of_this_machine_can_be_listed() -> None:
    assert all(isinstance(folder, Path) for folder in volumes.mounted_folders())


def test_a_named_port_is_greeted_whatever_it_is() -> None:
    (unit,) = find_at("sim://?seed=7")
    assert (unit.kind, unit.board, unit.firmware) == ("virtual unit", "virtual", "0.1.0")
    assert unit.is_unit


def test_no_unit() -> None:
    with pytest.raises(AirquillError, match="There is no unit") as error:
        the_only_unit([STRANGER], [])
    assert error.value.exit_code == 3


def test_no_unit_but_a_bare_board() -> None:
    with pytest.raises(AirquillError, match=r"a board without Airquill at /dev/ttyACM3\. .*airquill image build"):
        the_only_unit([BARE], [])


def test_no_unit_but_a_boot_volume(tmp_path: Path) -> None:
    (tmp_path / "INFO_UF2.TXT").write_text(INFO)
    with pytest.raises(AirquillError, match="a boot volume at"):
        the_only_unit([], [tmp_path])


def test_the_only_unit_is_chosen_without_opening_anything(written: list[str]) -> None:
    assert the_only_unit([STRANGER, BARE, Usb("/dev/ttyACM0", "Airquill bench 3")], []) == "/dev/ttyACM0"
    assert written == []


def test_two_units_are_listed() -> None:
    two = [Usb("/dev/ttyACM0", "Airquill"), Usb("/dev/ttyACM1", "Airquill")]
    with pytest.raises(AirquillError, match="--port") as error:
        the_only_unit(two, [])
    assert error.value.exit_code == 3
    assert "/dev/ttyACM0" in error.value.sentence
    assert "/dev/ttyACM1" in error.value.sentence


def test_running_virtual_units_are_found(tmp_path: Path) -> None:
    announce("/dev/null", tmp_path, os.getpid())
    assert announced() == [state.Announced("/dev/null", tmp_path, os.getpid())]
    assert the_only_unit([], []) == "/dev/null"
    withdraw(os.getpid())
    assert announced() == []
    withdraw(os.getpid())  # twice does no harm


def test_what_ended_without_a_word_is_forgotten(own_state: Path, tmp_path: Path) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    announce("/dev/null", tmp_path, ended.pid)
    announce("/dev/no-such-terminal", tmp_path, os.getpid())
    (own_state / "unit-7.json").write_text("{half a no")
    assert announced() == []
    # What is not understood may be being written at this moment, so it stays.
    assert [path.name for path in own_state.iterdir()] == ["unit-7.json"]


def test_a_state_folder_that_cannot_be_written_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("AIRQUILL_STATE", str(tmp_path / "file" / "state"))
    assert announced() == []
    with pytest.raises(AirquillError, match="AIRQUILL_STATE"):
        announce("/dev/null", tmp_path, os.getpid())
