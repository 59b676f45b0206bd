"""The verb `files`: another version of the firmware comes over the line while this one runs.

It is written to the slot that does not run, tried for one start, and kept when the host has greeted it;
docs/protocol.md has the forms. Imported at its first use: nobody updates during the work. Each step touches one small
piece of a file.
Writing flash stops the loop as a save does, so nothing of this is done while vacuum is on or a pedal is down.
"""

import os
from binascii import a2b_base64, hexlify
from hashlib import sha256

from airquill_device import slot
from airquill_protocol import tables as t
from airquill_protocol import values as v
from airquill_protocol.compat import const
from airquill_protocol.fault import ProtocolError

_PIECE = const(256)  # of a file, in one step
_NAMES_A_STEP = const(2)
_HASH_BYTES = const(8)  # of a file's SHA-256, in a list
_ROOM = const(210)
_FOLDER = const(0x4000)  # type of an entry of ilistdir
_PLACES = ("airquill_device", "airquill_device/extensions", "airquill_protocol", "build.txt")
_ROOT = ("boot.py", "main.py", "wiring.json")


class Files:
    """The two slots, and the file that is being received."""

    def __init__(self, app):
        self.app = app
        self._file = None
        self._path = ""
        self._at = 0

    def run(self, fields):
        """One request; the reply's text or a generator of it."""
        app = self.app
        what = fields[1] if len(fields) > 1 else ""
        counts = {"list": 4, "open": 3, "block": 4, "close": 3, "copy": 3, "remove": 3, "try": 3, "keep": 2, "slot": 2}
        if what not in counts:
            raise ProtocolError(t.E_UNKNOWN_WORD, "%s (%s)" % (what, ", ".join(sorted(counts))))
        if len(fields) != counts[what]:
            raise ProtocolError(t.E_MISSING_FIELD if len(fields) < counts[what] else t.E_EXTRA_FIELD, "files " + what)
        if not app.quiet():
            raise ProtocolError(t.E_VACUUM_ON if app.cycle.is_busy() else t.E_BUSY)
        if what == "slot":
            return "done slot=%s trial=%s" % (slot.running(), "on" if app.trial else "off")
        if what == "list":
            return self._list(fields[2], v.parse_number(fields[3], 0, "from"))
        return self._guarded(getattr(self, "do_" + what)(*fields[2:]))

    def _guarded(self, work):
        """Steps that write; an error of the disk becomes one of the protocol."""
        try:
            yield from work
        except OSError:
            self._drop()
            raise ProtocolError(t.E_FLASH_FAILED, self._path or "disk")
        yield "done"

    def _drop(self):
        """Give up the file that is open."""
        file, self._file = self._file, None
        if file is not None:
            try:
                file.close()
            except OSError:
                pass

    # -- looking -------------------------------------------------------------------------------------------------

    def _list(self, which, first):
        """`NAME=HASH` of files from number `first` on, as many as fit, and where to go on."""
        if which == "root":
            folder, names = "", _ROOT
        elif which in slot.FOLDERS:
            folder = slot.FOLDERS[which]
            names = yield from self._names(folder)
        else:
            raise ProtocolError(t.E_UNKNOWN_WORD, which + " (a, b, root)")
        text = ""
        for number in range(first, len(names)):
            digest = yield from _hash(folder + "/" + names[number])
            piece = "" if digest is None else " %s=%s" % (names[number], hexlify(digest[:_HASH_BYTES]).decode())
            if len(text) + len(piece) > _ROOM:
                yield "done%s next=%d" % (text, number)
            text += piece
        yield "done%s next=0" % text

    def _names(self, folder):
        names = []
        for place in _PLACES:
            if "." in place:
                names.append(place)
                continue
            try:
                entries = os.ilistdir(folder + "/" + place)
            except OSError:
                continue
            for entry in entries:
                if entry[1] != _FOLDER:
                    names.append(place + "/" + entry[0])
                    if len(names) % _NAMES_A_STEP == 0:
                        yield None
        return names

    # -- changing the slot that does not run ---------------------------------------------------------------------

    def _target(self, path):
        """Where a file of the other slot stands; the folder is made if it is missing."""
        place, _, name = path.rpartition("/")
        if (place or path) not in _PLACES or not name or name[0] == ".":
            raise ProtocolError(t.E_OUT_OF_RANGE, path)
        folder = slot.FOLDERS["a" if slot.running() == "b" else "b"]
        made = folder
        for part in place.split("/") if place else ():
            _make(made)
            made += "/" + part
        _make(made)
        return folder + "/" + path

    def do_open(self, path):
        """Begin to receive a file; what was received of another one is dropped."""
        self._drop()
        self._path, self._at = path, 0
        self._file = open(self._target(path), "wb")
        yield None

    def do_block(self, offset, text):
        """The next piece of the file, in base64."""
        offset = v.parse_number(offset, 0, "offset")
        if self._file is None:
            raise ProtocolError(t.E_NOT_THERE, "an open file")
        if offset != self._at:
            raise ProtocolError(t.E_OUT_OF_RANGE, "offset=%d (%d)" % (offset, self._at))
        try:
            data = a2b_base64(text)
        except ValueError:
            raise ProtocolError(t.E_WRONG_TYPE, "base64")
        self._file.write(data)
        self._at += len(data)
        yield None

    def do_close(self, digest):
        """The file is complete if this is its SHA-256."""
        if self._file is None:
            raise ProtocolError(t.E_NOT_THERE, "an open file")
        file, self._file = self._file, None
        file.close()
        yield None
        target = self._target(self._path)
        if hexlify((yield from _hash(target)) or b"").decode() != digest:
            os.remove(target)
            raise ProtocolError(t.E_FLASH_FAILED, self._path)

    def do_copy(self, path):
        """Take a file over from the slot that runs."""
        self._drop()
        self._path = path
        target = self._target(path)
        piece = bytearray(_PIECE)
        with open(slot.FOLDERS[slot.running()] + "/" + path, "rb") as source:
            self._file = file = open(target, "wb")
            yield None
            n = source.readinto(piece)
            while n:
                file.write(memoryview(piece)[:n])
                yield None
                n = source.readinto(piece)
            self._file = None
            file.close()

    def do_remove(self, path):
        self._drop()
        self._path = path
        os.remove(self._target(path))
        yield None

    # -- trying it -----------------------------------------------------------------------------------------------

    def do_try(self, build):
        """Restart into the other slot, once; it must be the build that the host means."""
        self._drop()
        here = slot.running()
        other = "a" if here == "b" else "b"
        self._path = "build.txt"
        with open(slot.FOLDERS[other] + "/build.txt") as file:
            if file.read(8) != build:
                raise ProtocolError(t.E_OUT_OF_RANGE, "build")
        yield None
        slot.write(here + "?" + other)
        self.app.restart_wanted = t.A_RESTART

    def do_keep(self):
        """What runs is the version from now on."""
        slot.write(slot.running())
        self.app.trial = False
        yield None


def _make(folder):
    try:
        if folder:
            os.mkdir(folder)
    except OSError:
        pass  # it is there; if it cannot be made, writing into it says so


def _hash(path):
    """SHA-256 of a file, in steps; None when there is none."""
    piece = bytearray(_PIECE)
    digest = sha256()
    try:
        with open(path, "rb") as file:
            while True:
                n = file.readinto(piece)
                yield None
                if not n:
                    return digest.digest()
                digest.update(memoryview(piece)[:n] if n < _PIECE else piece)
    except OSError:
        return None
