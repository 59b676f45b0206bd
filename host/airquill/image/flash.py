"""An image onto a board by its boot volume: ask for the volume, find it, check, copy, wait, look who greets."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from airquill.errors import AirquillError
from airquill.image.build import inspect
from airquill.image.report import ImageReport
from airquill.link.client import Client
from airquill.link.discovery import candidates
from airquill.link.problems import NO_UNIT
from airquill.link.said import Greeting
from airquill.link.state import announced
from airquill.link.volumes import BootVolume, boot_volumes, mounted_folders

VOLUME_S = 15.0
"""From asking for the boot volume until the system has mounted it."""

BACK_S = 30.0
"""From the last block until the unit greets."""

LOOK_S = 0.1
CHUNK_BYTES = 64 * 1024
TARGET = "airquill.uf2"

# Board ids of the chips' ROMs: RP2040 and RP2350 data sheets, "USB Mass Storage Interface" (the second from memory).
FAMILIES_OF = {"RPI-RP2": "RP2040", "RP2350": "RP2350"}

NOTHING_APPEARS = (
    "Hold BOOTSEL while you plug the board in. If nothing appears: many cables only charge, try another one; plug it "
    "into the computer itself, without a hub; and hold the button until the drive is there."
)


@dataclass(frozen=True)
class Flashed:
    """What came back: the unit's greeting and its port."""

    port: str
    greeting: Greeting


def checked_image(path: Path) -> ImageReport:
    """An image with Airquill in it. Raises AirquillError for everything else."""
    report = inspect(path)
    if report.build is None:
        raise AirquillError(
            f"{path} holds MicroPython without Airquill. Build an image from it: "
            f"airquill image build --stock {path} --out heather-bench.uf2."
        )
    return report


def volume_folders() -> list[Path]:
    """Where boot volumes may be: mounted drives, and the folders of running virtual units."""
    return [*mounted_folders(), *(unit.folder / "volume" for unit in announced())]


def find_volume(folders: Iterable[Path], wait_s: float = 0.0) -> BootVolume | None:
    """The one boot volume among these folders, as soon as it is there. Raises AirquillError for two."""
    looked = list(folders)
    end = time.monotonic() + wait_s
    while True:
        found = boot_volumes(looked or volume_folders())
        if len(found) > 1:
            listed = ", ".join(str(volume.folder) for volume in found)
            raise AirquillError(f"There are {len(found)} boot volumes: {listed}. Choose one with --volume.")
        if found or time.monotonic() >= end:
            return found[0] if found else None
        time.sleep(LOOK_S)


def waits_for_an_image() -> AirquillError | None:
    """What to say when no unit answers because a board shows its boot volume; None when none does."""
    waiting = boot_volumes(volume_folders())
    if not waiting:
        return None
    return AirquillError(
        f"The board at {waiting[0].folder} waits in its boot volume, where it has no serial line. "
        "Put an image on it with `airquill flash`, or unplug it and plug it in again without BOOTSEL.",
        NO_UNIT,
    )


def check_board(report: ImageReport, volume: BootVolume) -> None:
    """Raise AirquillError when the image is for another chip than the one behind the volume."""
    family = FAMILIES_OF.get(volume.board_id)
    if family is None:
        raise AirquillError(
            f"{volume.folder} is the boot volume of {volume.board_id or 'an unknown board'}, which Airquill does not "
            "know. Plug in a board with an RP2040."
        )
    if not report.family.startswith(family):
        raise AirquillError(
            f"{report.path} is for the {report.family}, and the board at {volume.folder} has an {family}. "
            "Build the image from the stock firmware for that board."
        )


def ask_for_volume(port: str) -> Greeting:
    """Send the running unit at `port` into its boot volume; returns how it greeted. Raises AirquillError."""
    with Client.open(port) as unit:
        said = unit.greeting
        if "boot_volume" not in said.capabilities:
            raise AirquillError(
                f"The unit at {port} cannot show a boot volume by itself. Hold BOOTSEL while you plug it in.", 1
            )
        unit.do("boot_volume")
    return said


def copy(image: Path, folder: Path, done: Callable[[int], None] = lambda _bytes: None) -> None:
    """Write the image to the boot volume and to the board; `done(bytes)` as it goes.

    Raises AirquillError when the volume takes less than all of it; the board's button then brings the volume back.
    """
    content = image.read_bytes()
    written = 0
    try:
        with (folder / TARGET).open("wb", buffering=0) as file:
            while written < len(content):
                count = file.write(content[written : written + CHUNK_BYTES])
                written += count
                done(count)
                os.fsync(file.fileno())
                if written < len(content) and not boot_volumes([folder]):
                    raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))  # a folder can go without its file's knowing
    except OSError as error:
        # The chip restarts as soon as it has the last block, and takes the volume away before the file is closed.
        if written < len(content) or error.errno in (errno.ENOSPC, errno.EROFS):
            raise AirquillError(_why_not(folder, written, len(content), error), _code(error)) from error


def _code(error: OSError) -> int:
    return 2 if error.errno in (errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EISDIR) else NO_UNIT


def _why_not(folder: Path, written: int, total: int, error: OSError) -> str:
    how = "Hold BOOTSEL while you plug the board in, then run the same command again."
    if error.errno == errno.ENOSPC:
        return f"{folder} is full after {written} of {total} bytes, so it is not a board's boot volume. {how}"
    if error.errno in (errno.EROFS, errno.EACCES):
        return (
            f"{folder} may not be written: it is mounted read-only, or for another user. "
            "Mount it so that you can write, then run the same command again."
        )
    return f"{folder} went away after {written} of {total} bytes ({error.strerror}). {how}"


def wait_for_unit(report: ImageReport, port: str | None, before: frozenset[str]) -> Flashed:
    """The unit that greets after flashing: at `port`, or at one that was not there before. Raises AirquillError when
    none comes back, or another firmware does."""
    end = time.monotonic() + BACK_S
    seen = ""
    while time.monotonic() < end:
        for place in [port] if port else [one.port for one in candidates() if one.port not in before]:
            try:
                with Client.open(place) as unit:
                    said = unit.greeting
            except AirquillError as error:
                seen = error.sentence.partition(". ")[0].rstrip(".")
                continue
            if (said.build, said.registry_hash) == (report.build, report.registry):
                return Flashed(place, said)
            seen = f"{place} runs build {said.build}"
        time.sleep(LOOK_S)
    raise AirquillError(
        f"The unit did not come back with build {report.build} within {BACK_S:.0f} s{': ' + seen if seen else ''}. "
        f"Unplug it; hold BOOTSEL while you plug it in, then: airquill flash {report.path}",
        NO_UNIT,
    )


def flash(
    image: Path,
    report: ImageReport,
    port: str | None,
    folder: Path | None = None,
    done: Callable[[int], None] = lambda _bytes: None,
) -> Flashed:
    """Put `image` (checked: `report`) onto the unit at `port`, or onto the board whose volume is there.

    `folder` names the volume. Raises AirquillError; whatever happened, the same may be done again.
    """
    if folder is not None and not boot_volumes([folder]):
        why = "it has no INFO_UF2.TXT" if folder.is_dir() else "there is no such folder"
        raise AirquillError(f"{folder} is no boot volume: {why}. {NOTHING_APPEARS}")
    looked = [folder] if folder else []
    volume = find_volume(looked)
    if volume is None:
        if port is None:
            raise AirquillError(f"There is no unit and no boot volume. {NOTHING_APPEARS}", NO_UNIT)
        ask_for_volume(port)
        volume = find_volume(looked, VOLUME_S)
    if volume is None:
        raise AirquillError(
            f"The unit was told to show its boot volume, but none has appeared within {VOLUME_S:.0f} s. "
            "Mount it, or name it by --volume; or unplug the unit and run the same command again.",
            NO_UNIT,
        )
    check_board(report, volume)
    if port is None:
        port = next((unit.port for unit in announced() if unit.folder / "volume" == volume.folder), None)
    before = frozenset(one.port for one in candidates()) - {port}
    copy(image, volume.folder, done)
    return wait_for_unit(report, port, before)
