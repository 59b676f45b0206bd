"""Finds and ends processes that tests left running. Linux only; elsewhere it finds none."""

import ctypes
import os
import signal
import sys
import time
from contextlib import suppress
from pathlib import Path

PR_SET_CHILD_SUBREAPER = 36  # prctl(2), linux/prctl.h
END_WAIT_S = 3.0  # for a process that is ending by itself, which is no leftover
TERM_WAIT_S = 3.0  # then SIGKILL: no test's outcome hangs on it


def adopt_orphans() -> None:
    """Make this process the parent of its children's orphans, so that none gets out of sight."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)


def children() -> dict[int, str]:
    """Process id and command line of each living child of this process, without those Python itself keeps."""
    found: dict[int, str] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            # After the last ")" come state and parent: proc(5).
            state, parent = stat.read_text().rpartition(")")[2].split()[:2]
            command = (stat.parent / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace").strip()
        except OSError:
            continue
        if int(parent) == os.getpid() and state != "Z" and "multiprocessing" not in command:
            found[int(stat.parent.name)] = command
    return found


def end_leftovers() -> list[str]:
    """End every child that does not end by itself, by SIGTERM, then SIGKILL; return their command lines."""
    left = _children_after(END_WAIT_S)
    for number in (signal.SIGTERM, signal.SIGKILL):
        for pid in children():
            with suppress(ProcessLookupError):
                os.kill(pid, number)
        _children_after(TERM_WAIT_S)
    return list(left.values())


def _children_after(wait_s: float) -> dict[int, str]:
    """Those that are still there then; earlier when there are none."""
    give_up = time.monotonic() + wait_s
    while (left := children()) and time.monotonic() < give_up:
        time.sleep(0.02)
    return left
