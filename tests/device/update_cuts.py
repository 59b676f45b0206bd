"""Run by MicroPython: an update with the power cut at every write to the flash, on a real LittleFS.

Arguments: folders to import from (separated by :), a disk image, a JSON file with the update's requests, what both
versions consist of, and boot.py. Prints `cuts N kept_old N kept_new N`, or a traceback.
"""

import json
import sys
from binascii import hexlify
from hashlib import sha256

import vfs

sys.path[:] = sys.argv[1].split(":")

from airquill.pneumatics.sensor import Noise
from airquill.simulator.flash import BLOCK_BYTES, Flash, MemoryCells, PowerCut
from airquill_device import files, slot

with open(sys.argv[3]) as source:
    GIVEN = json.load(source)
with open(sys.argv[2], "rb") as source:
    IMAGE = source.read()
ROOT_PATH = list(sys.path)


class Supply(Flash):
    """Flash behind a supply that stays away once it has gone."""

    dead = False

    def _cut_now(self):
        if self.dead:
            raise PowerCut
        cut = super()._cut_now()
        self.dead = cut
        return cut


class Quiet:
    """The parts of an App that the verb looks at."""

    trial = False
    restart_wanted = 0

    def quiet(self):
        return True


class Modules:
    """Stands for the board and the chip's module."""

    @staticmethod
    def WDT(timeout):
        pass


def fresh_cells():
    cells = MemoryCells()
    for block in range(len(IMAGE) // BLOCK_BYTES):
        content = IMAGE[block * BLOCK_BYTES : (block + 1) * BLOCK_BYTES]
        if content != b"\xff" * BLOCK_BYTES:
            cells._blocks[block] = bytearray(content)
    return cells


def mount(flash):
    disk = vfs.VfsLfs2(flash, progsize=256)
    vfs.mount(disk, "/")


def start():
    """A start of the chip: which copy boot.py chooses."""
    sys.path[:] = ["", "/lib"]
    exec(GIVEN["boot"], {"__name__": "__main__"})
    return slot.running()


def whole(letter):
    """All files of a copy are those of the version that must stand there."""
    for name, digest in GIVEN["old" if letter == "a" else "new"].items():
        with open(slot.FOLDERS[letter] + "/" + name, "rb") as file:
            if hexlify(sha256(file.read()).digest()).decode() != digest:
                return False
    return True


def update():
    """The whole update: written, tried, kept."""
    verb = files.Files(Quiet())
    for fields in GIVEN["requests"]:
        work = verb.run(fields)
        for _ in work if not isinstance(work, str) else ():
            pass
    assert start() == "b"
    for _ in files.Files(Quiet()).run(["files", "keep"]):
        pass


def main():
    noise = Noise(7)
    sys.modules["airquill_device.board"] = sys.modules["machine"] = Modules
    vfs.umount("/")
    cut = old = new = 0
    done = False
    while not done:
        cut += 1
        cells = fresh_cells()
        flash = Supply(cells, noise, lambda us: None)
        flash.cut_in = cut
        mount(flash)
        assert start() == "a"
        try:
            update()
            done = True
        except PowerCut:
            pass
        vfs.umount("/")
        mount(Flash(cells, noise, lambda us: None))
        runs = start()
        assert whole(runs), (cut, runs)
        old += runs == "a"
        new += runs == "b"
        tried = slot.on_trial()
        again = start()
        assert again == ("a" if tried else runs), (cut, runs, again)
        assert whole(again)
        if again == "a":
            update()
        assert start() == "b" and whole("b")
        vfs.umount("/")
    print("cuts", cut - 1, "kept_old", old, "kept_new", new)


main()
