"""Run by MicroPython: the verb `files` and boot.py of a unit, on a real LittleFS, with the power cut at any write.

Arguments: folders to import from (separated by :), a disk image, boot.py. Then one request as JSON on each line of the
input, and one answer on each line of the output: {"do": "start"}, "request" with fields, "record", "cut" at write n of
what was recorded, "hashes" of the files in a slot.
"""

import json
import os
import sys
from binascii import hexlify
from hashlib import sha256

import vfs

sys.path[:] = sys.argv[1].split(":")

from airquill.pneumatics.sensor import Noise
from airquill.simulator.flash import BLOCK_BYTES, Flash, PowerCut
from airquill_device import files, slot
from airquill_protocol.fault import ProtocolError

with open(sys.argv[2], "rb") as source:
    IMAGE = source.read()
with open(sys.argv[3]) as source:
    BOOT = source.read()
ERASED = b"\xff" * BLOCK_BYTES
FOLDER = 0x4000  # type of an entry of ilistdir


class Cells:
    """What the flash holds; `simulator.flash.MemoryCells`, quicker and with copies."""

    def __init__(self, blocks):
        self.blocks = {number: bytearray(content) for number, content in blocks.items()}

    def read(self, block, offset, buf):
        buf[:] = memoryview(self.blocks.get(block, ERASED))[offset : offset + len(buf)]

    def write(self, block, offset, data):
        if block not in self.blocks:
            self.blocks[block] = bytearray(ERASED)
        self.blocks[block][offset : offset + len(data)] = data


class Supply(Flash):
    """Flash that notes its writes, one page or one erased block each."""

    def __init__(self, cells):
        super().__init__(cells, Noise(7), lambda us: None)
        self.noted = None

    def program(self, block, offset, buf):
        if self.noted is not None:
            for at in range(offset, offset + len(buf), 256):
                self.noted.append((block, at, bytes(buf[at - offset : at - offset + 256])))
        super().program(block, offset, buf)

    def erase(self, block):
        if self.noted is not None:
            self.noted.append((block, 0, None))
        super().erase(block)


class Quiet:
    """The parts of an App that the verb looks at."""

    restart_wanted = 0

    def __init__(self, trial):
        self.trial = trial

    def quiet(self):
        return True


class Modules:
    """Stands for the board and the chip's module."""

    @staticmethod
    def WDT(timeout):
        pass


def image_blocks():
    out = {}
    for number in range(len(IMAGE) // BLOCK_BYTES):
        content = IMAGE[number * BLOCK_BYTES : (number + 1) * BLOCK_BYTES]
        if content != ERASED:
            out[number] = content
    return out


def redo(flash, write):
    block, offset, content = write
    if content is None:
        flash.erase(block)
    else:
        flash.program(block, offset, content)


class Unit:
    def __init__(self):
        self.flash = Supply(Cells(image_blocks()))
        self.mounted = False
        self.verb = None
        self.before = self.noted = None
        self.replayed = 0

    def start(self):
        """A start of the chip: the copy that boot.py chooses, its build, whether it is on trial."""
        if self.mounted:
            vfs.umount("/")
        vfs.mount(vfs.VfsLfs2(self.flash, progsize=256), "/")
        self.mounted = True
        sys.path[:] = ["", "/lib"]
        exec(BOOT, {"__name__": "__main__"})
        trial = slot.on_trial()
        self.verb = files.Files(Quiet(trial))
        return [slot.running(), slot.build(), trial]

    def request(self, fields):
        """The verb's reply."""
        try:
            work = self.verb.run(fields)
            if isinstance(work, str):
                return [work]
            said = None
            for said in work:
                if said is not None:
                    break
            return [said]
        except ProtocolError as error:
            return ["error %d %s" % (error.number, error.subject)]

    def record(self):
        """From here on writes are noted."""
        self.before = Cells(self.flash.cells.blocks)
        self.noted = self.flash.noted = []
        return []

    def stop(self):
        """How many writes were noted, and to which blocks."""
        self.flash.noted = None
        self.replayed, self.rolling = 0, Supply(Cells(self.before.blocks))
        return [len(self.noted), list({write[0] for write in self.noted})]

    def cut(self, n):
        """The flash as it is after the power went in write n, counted from 1."""
        if n - 1 < self.replayed:
            self.stop()
        while self.replayed < n - 1:
            redo(self.rolling, self.noted[self.replayed])
            self.replayed += 1
        self.flash = Supply(Cells(self.rolling.cells.blocks))
        self.flash.cut_in = 1
        self.flash._uniform = Noise(n).uniform
        try:
            redo(self.flash, self.noted[n - 1])
        except PowerCut:
            return []

    def hashes(self, letter):
        """Name to SHA-256 of all files of a copy."""
        out = {}
        for name in names(slot.FOLDERS[letter]):
            with open(slot.FOLDERS[letter] + "/" + name, "rb") as file:
                out[name] = hexlify(sha256(file.read()).digest()).decode()
        return out


def names(folder):
    """Files of a copy: its packages and what says which build it is."""
    for place in ("airquill_device", "airquill_device/extensions", "airquill_protocol"):
        try:
            for entry in os.ilistdir(folder + "/" + place):
                if entry[1] != FOLDER:
                    yield place + "/" + entry[0]
        except OSError:
            pass  # no add-ons
    yield "build.txt"


def main():
    sys.modules["airquill_device.board"] = sys.modules["machine"] = Modules
    vfs.umount("/")
    unit = Unit()
    for line in sys.stdin:
        asked = json.loads(line)
        print(json.dumps(getattr(unit, asked.pop("do"))(**asked)))


main()
