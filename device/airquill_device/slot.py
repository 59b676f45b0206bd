"""The two copies of the firmware on the disk: slot a in the root folder, where an image puts it, and slot b in /b.

/slot.txt says which of them runs: `b`, or `a?b` for "a, but try b at the next start", or `a!b` for "a, and b is being
tried or has failed". Without the file it is a. boot.py has chosen already; it reads the same file.
"""

import os
import sys

STATE = "/slot.txt"
FOLDERS = {"a": "", "b": "/b"}


def running():
    """Letter of the copy that runs."""
    return "b" if sys.path[0] == "/b" else "a"


def read():
    """What the file says, `a` without it."""
    try:
        with open(STATE) as file:
            return file.read(3)
    except OSError:
        return "a"


def write(text):
    """Replace it in one step."""
    with open("/slot.new", "w") as file:
        file.write(text)
    os.rename("/slot.new", STATE)


def on_trial():
    """Whether what runs is a new version that nobody has kept yet."""
    return read()[1:] == "!" + running()


def build():
    """Build hash of the copy that runs."""
    try:
        with open(FOLDERS[running()] + "/build.txt") as file:
            return file.read(8)
    except OSError:
        return "unknown"
