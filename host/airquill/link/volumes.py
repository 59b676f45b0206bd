"""Boot volumes: the drives that a board shows when it waits for a firmware file."""

from __future__ import annotations

import os
import re
import string
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

INFO_FILE = "INFO_UF2.TXT"  # its name and its lines: UF2 specification, "File containers"
_MOST_BYTES = 4096


class BootVolume(NamedTuple):
    """A mounted boot volume, and what its board says of itself."""

    folder: Path
    board_id: str
    model: str


def boot_volumes(folders: Iterable[Path] | None = None) -> list[BootVolume]:
    """Boot volumes among these folders; among all mounted drives when none are given."""
    found = []
    for folder in mounted_folders() if folders is None else folders:
        try:
            with (folder / INFO_FILE).open(encoding="ascii", errors="replace") as file:
                text = file.read(_MOST_BYTES)
        except OSError:
            continue
        board_id = _line(text, "Board-ID")
        if board_id:
            found.append(BootVolume(folder, board_id, _line(text, "Model")))
    return found


def _line(text: str, name: str) -> str:
    match = re.search(rf"^{name}:[ \t]*(.*?)[ \t\r]*$", text, re.MULTILINE)
    return match[1] if match else ""


def mounted_folders() -> list[Path]:
    """Where drives are mounted on this platform."""
    if sys.platform == "win32":
        return [Path(f"{letter}:\\") for letter in string.ascii_uppercase[2:]]
    if sys.platform == "darwin":
        return sorted(Path("/Volumes").glob("*"))
    folders = dict.fromkeys(_linux_mounts())
    for media in ("/media", "/run/media"):
        folders |= dict.fromkeys(sorted(Path(media).glob("*")) + sorted(Path(media).glob("*/*")))
    return list(folders)


def _linux_mounts() -> list[Path]:
    try:
        lines = Path("/proc/mounts").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []
    # A boot volume is a FAT file system; looking into others might wait for a network.
    fields = [line.split() for line in lines]
    return [Path(_unescaped(field[1])) for field in fields if len(field) > 2 and field[2] in ("vfat", "msdos")]


def _unescaped(name: str) -> str:
    """Spaces and the like stand as octal numbers in that file: fstab(5)."""
    return os.fsdecode(re.sub(rb"\\([0-7]{3})", lambda match: bytes([int(match[1], 8)]), os.fsencode(name)))
