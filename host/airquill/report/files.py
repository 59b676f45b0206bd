"""Files written in one step: a reader sees the old one or the new one, also after a power cut."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from airquill.errors import AirquillError


def write_whole(path: Path, text: str) -> None:
    """Write beside `path`, flush to the disk, then rename. AirquillError when it cannot be; the old file stays."""
    write_bytes(path, text.encode())


def write_bytes(path: Path, content: bytes) -> None:
    """The same for a file that is no text."""
    beside = path.with_name(path.name + ".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
        _sync_folder(path.parent)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise AirquillError(f"{path} cannot be written: {error.strerror}. Name another place.") from error


def _sync_folder(folder: Path) -> None:
    """The rename lasts only when the folder is on the disk too; not every system lets one open a folder."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
