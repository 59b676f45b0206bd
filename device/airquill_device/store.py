"""Records that survive a power cut.

Each kind of record (settings, unit, life) has two flash blocks. A record is appended to erased pages of the block in
use; when that is full the other block is erased and takes the next record, so the newest good one is always whole. A
record carries its check sum at its very end, which is programmed last.

    magic "AqRc" | kind u8 | format u8 | registry u16 | payload length u16 | spare u16 | sequence u32 | payload | CRC-32

A save encodes and programs one small step a pass: encoding all settings at once would hold the loop for too long.
"""

from binascii import crc32
from struct import pack, pack_into, unpack_from

from airquill_protocol import settings
from airquill_protocol import tables as t
from airquill_protocol.compat import const

SETTINGS = const(0)
UNIT = const(1)
LIFE = const(2)

_MAGIC = b"AqRc"
_FORMAT = const(1)
_HEAD = const(16)
_PAGE = const(256)
_BLOCK = const(4096)
_LONGEST = const(2048)
_SLOTS_A_STEP = const(4)

IDLE = const(0)
DONE = const(1)
FAILED = const(2)
WORKING = const(3)


def encode_value(slot, value):
    """One setting in a record: row id, instance, length, bytes (numbers little-endian, as short as they fit)."""
    if not isinstance(value, bytes):
        if -128 <= value < 128:
            value = pack("<b", value)
        elif -32768 <= value < 32768:
            value = pack("<h", value)
        else:
            value = pack("<i", value)
    return bytes((settings.row_id(slot), settings.instance(slot), len(value))) + value


def decode_values(payload, values):
    """Put a record's settings into `values`; what this firmware does not know or cannot hold stays as it was."""
    for _ in decode_steps(payload, values):
        pass


def decode_steps(payload, values):
    """decode_values in steps of a few settings."""
    count = at = 0
    while at + 3 <= len(payload):
        count += 1
        if count % _SLOTS_A_STEP == 0:
            yield None
        slot = settings.slot_of(payload[at], payload[at + 1])
        size = payload[at + 2]
        raw = payload[at + 3 : at + 3 + size]
        at += 3 + size
        if slot >= 0 and settings.kind(slot) < 5:
            raw = unpack_from({1: "<b", 2: "<h"}.get(size, "<i"), raw)[0] if size in (1, 2, 4) else None
        if slot >= 0 and raw is not None and settings.fits(slot, raw):
            values[slot] = raw


class Found:
    """What a scan of a kind's two blocks found. Payloads are bytes or None; `damaged` and `newer` are about records
    later than the best good one."""

    def __init__(self):
        self.payload = None
        self.sequence = 0
        self.role = 0
        self.at = 0
        self.end = 0
        self.before = None  # (role, offset) of the good record before the newest
        self.damaged = False
        self.newer = False


class Store:
    """The unit's records. `state` is IDLE, WORKING, DONE or FAILED; a save moves on with every tick."""

    def __init__(self, board):
        self.board = board
        self.addons = None  # what else goes into the record of settings
        self.state = IDLE
        self._place = [
            None,
            None,
            None,
        ]  # per kind: (role, offset of the next free page, sequence, role and offset of the last)
        self._kind = 0
        self._values = None
        self._slot = 0
        self._buffer = bytearray(_LONGEST)
        self._length = 0
        self._page = 0
        self._role = 0
        self._at = 0

    # -- reading -------------------------------------------------------------------------------------------------

    def load(self, kind):
        """The newest good record of a kind, as a Found."""
        found = Found()
        found.role = kind * 2
        head = bytearray(_HEAD)
        best = second = -1
        bad = newer = -1
        for role in (kind * 2, kind * 2 + 1):
            at = 0
            while at < _BLOCK:
                self.board.store_read(role, at, head)
                if head[:4] != _MAGIC or head[4] != kind:
                    at += _PAGE
                    continue
                version, length, sequence = head[5], unpack_from("<H", head, 8)[0], unpack_from("<I", head, 12)[0]
                size = _HEAD + length + 4
                if size > _LONGEST or at + size > _BLOCK or not self._sound(role, at, size):
                    bad = max(bad, sequence)
                    at += _PAGE
                    continue
                if version > _FORMAT:
                    newer = max(newer, sequence)
                elif sequence > best:
                    second, best = best, sequence
                    found.before = (found.role, found.at) if second >= 0 else None
                    found.role, found.at, found.sequence = role, at, sequence
                elif sequence > second:
                    second = sequence
                    found.before = (role, at)
                at += (size + _PAGE - 1) // _PAGE * _PAGE
        found.damaged = bad > best
        found.newer = newer > best
        if best >= 0:
            found.payload = self._payload(found.role, found.at)
        top = max(best, bad, newer)
        self._place[kind] = (found.role, found.at, top if top >= 0 else 0, found.before)
        return found

    def previous(self, kind):
        """Payload of the record before the newest, or None."""
        place = self._place[kind]
        if place is None or place[3] is None:
            return None
        return self._payload(place[3][0], place[3][1])

    def _payload(self, role, at):
        head = bytearray(_HEAD)
        self.board.store_read(role, at, head)
        payload = bytearray(unpack_from("<H", head, 8)[0])
        self.board.store_read(role, at + _HEAD, payload)
        return bytes(payload)

    def _sound(self, role, at, size):
        piece = bytearray(_PAGE)
        crc = 0
        left = size - 4
        while left > 0:
            self.board.store_read(role, at, piece)
            crc = crc32(piece if left >= _PAGE else memoryview(piece)[:left], crc)
            at += min(left, _PAGE)
            left -= _PAGE
        tail = bytearray(4)
        self.board.store_read(role, at, tail)
        return unpack_from("<I", tail)[0] == crc

    # -- writing -------------------------------------------------------------------------------------------------

    def save_values(self, kind, values):
        """Begin to save the settings that belong to this kind of record; tick() does it, `state` tells."""
        self._begin(kind)
        self._values = values
        self._slot = 0

    def save_bytes(self, kind, payload):
        """Begin to save a payload as it is."""
        self._begin(kind)
        self._values = None
        self._buffer[_HEAD : _HEAD + len(payload)] = payload
        self._length = _HEAD + len(payload)

    def _begin(self, kind):
        self.state = WORKING
        self._kind = kind
        self._length = _HEAD
        self._page = -1

    def tick(self, now):
        """One step of the save under way."""
        if self._values is not None:
            self._encode_some()
        elif self._page < 0:
            self._choose_place()
        else:
            self._program_page()

    def _encode_some(self):
        end = min(self._slot + _SLOTS_A_STEP, t.SLOTS)
        for slot in range(self._slot, end):
            if settings.stays(slot) == (self._kind == UNIT):
                self._append(encode_value(slot, self._values[slot]))
        self._slot = end
        if end == t.SLOTS:
            if self.addons is not None and self._kind == SETTINGS:
                for piece in self.addons.encode(self._values):
                    self._append(piece)
            self._values = None

    def _append(self, piece):
        if self._length + len(piece) + 4 > _LONGEST:
            self.state = FAILED
            return
        self._buffer[self._length : self._length + len(piece)] = piece
        self._length += len(piece)

    def _choose_place(self):
        """Close the record and find erased pages for it, erasing the older block if there are none."""
        role, last, sequence, _ = self._place[self._kind] or (self._kind * 2, 0, 0, None)
        pack_into(
            "<4sBBHHHI", self._buffer, 0, _MAGIC, self._kind, _FORMAT, t.REGISTRY, self._length - _HEAD, 0, sequence + 1
        )
        pack_into("<I", self._buffer, self._length, crc32(memoryview(self._buffer)[: self._length]))
        size = self._length + 4
        for i in range(size, (size + _PAGE - 1) // _PAGE * _PAGE):
            self._buffer[i] = 0xFF
        at = self._free(role, size)
        if at < 0:
            role ^= 1
            self.board.store_erase(role)
            at = self._free(role, size)
        if at < 0:
            self.state = FAILED
            return
        self._role, self._at, self._page = role, at, 0

    def _free(self, role, size):
        """Offset behind the last used page of a block where `size` bytes fit, or -1."""
        page = bytearray(_PAGE)
        at = _BLOCK
        while at > 0:
            self.board.store_read(role, at - _PAGE, page)
            if page.count(b"\xff") != _PAGE:
                break
            at -= _PAGE
        return at if at + size <= _BLOCK else -1

    def _program_page(self):
        start = self._page * _PAGE
        piece = memoryview(self._buffer)[start : start + _PAGE]
        self.board.store_program(self._role, self._at + start, piece)
        check = bytearray(_PAGE)
        self.board.store_read(self._role, self._at + start, check)
        if check != piece:
            self.state = FAILED
            return
        self._page += 1
        if self._page * _PAGE >= self._length + 4:
            role, at, sequence, _ = self._place[self._kind] or (0, 0, 0, None)
            before = (role, at) if sequence else None
            if before and before[0] == self._role and before[1] >= self._at:
                before = None
            self._place[self._kind] = (self._role, self._at, sequence + 1, before)
            self.state = DONE
