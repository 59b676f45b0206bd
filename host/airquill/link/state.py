"""Running virtual units, known by one small file each in the user's state folder."""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path
from typing import NamedTuple

from platformdirs import user_state_path

from airquill.errors import AirquillError


class Announced(NamedTuple):
    """A running virtual unit: its port, the folder it keeps its flash file and boot volume in, its process."""

    port: str
    folder: Path
    pid: int


def state_folder() -> Path:
    """Where what is running is noted: AIRQUILL_STATE, or the user's state folder of the platform."""
    named = os.environ.get("AIRQUILL_STATE")
    return Path(named) if named else user_state_path("airquill", appauthor=False)


def announce(port: str, folder: str | Path, pid: int) -> None:
    """Note that the process `pid` runs a virtual unit at `port`, so that others find it. Raises AirquillError."""
    place = state_folder()
    path = place / f"unit-{pid}.json"
    beside = path.with_suffix(".new")
    try:
        place.mkdir(parents=True, exist_ok=True)
        beside.write_text(json.dumps({"port": port, "folder": str(Path(folder).resolve()), "pid": pid}))
        beside.replace(path)
    except OSError as error:
        raise AirquillError(
            f"The virtual unit cannot be noted in {place}: {error.strerror}. "
            "Set AIRQUILL_STATE to a folder that you may write."
        ) from error


def withdraw(pid: int) -> None:
    """Forget the virtual unit of a process; nothing happens when it was not announced."""
    with contextlib.suppress(OSError):
        (state_folder() / f"unit-{pid}.json").unlink()


def announced() -> list[Announced]:
    """The virtual units that run, oldest first. Notes of processes that have ended are removed."""
    found: list[tuple[float, Announced]] = []
    for path in state_folder().glob("unit-*.json"):
        try:
            note = json.loads(path.read_text())
            unit = Announced(str(note["port"]), Path(note["folder"]), int(note["pid"]))
            written = path.stat().st_mtime
        except (OSError, ValueError, KeyError, TypeError):
            continue  # being written or withdrawn at this moment, or not ours
        if _runs(unit):
            found.append((written, unit))
        else:
            with contextlib.suppress(OSError):
                path.unlink()
    return [unit for _, unit in sorted(found)]


def _runs(unit: Announced) -> bool:
    # A process id may have been given to another process since; its pty has not.
    if unit.port.startswith("/") and not Path(unit.port).exists():
        return False
    if os.name != "posix":
        return True  # there os.kill would end the process that is asked about
    try:
        os.kill(unit.pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
