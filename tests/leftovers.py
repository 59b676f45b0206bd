"""Finds and ends processes that tests left running. Linux only; elsewhere it finds none."""

import ctypes
import os
import signal
import sys
import time
from pathlib import Path

PR_SET_CHILD_SUBREAPER = 36  # prctl(2), linux/prctl.h
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
    """End every child by SIGTERM, then SIGKILL; return their command lines."""
    left = children()
    for number in (signal.SIGTERM, signal.SIGKILL):
        for pid in children():
            os.kill(pid, number)
        give_up = time.monotonic() + TERM_WAIT_S
        while children() and time.monotonic() < give_up:
            time.sleep(0.02)
    return list(left.values())
