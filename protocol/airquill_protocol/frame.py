"""One line <-> its parts.

A framed line is `body *crc`, crc being the CRC-32/ISO-HDLC of the body as eight lower-case hex digits. A line without
it is a person's. Fields are separated by one space; a quoted text may hold spaces.
"""

from binascii import crc32

from airquill_protocol import tables as t
from airquill_protocol.compat import const
from airquill_protocol.fault import ProtocolError

_LF = const(10)
_CR = const(13)
_BACKSLASH = const(0x5C)
_TAIL = const(10)  # length of " *" and eight hex digits
LONGEST_ID = const(9999999)
BODY_BYTES = t.LINE_BYTES - _TAIL - 1

UNFRAMED = const(0)
GOOD = const(1)
BAD = const(2)


def frame(body: "str | bytes") -> bytes:
    """A body as a whole line in bytes, check sum and LF included. Raises ValueError when it is too long."""
    data = body.encode() if isinstance(body, str) else body
    if len(data) > BODY_BYTES:
        raise ValueError("line too long")
    return data + b" *%08x\n" % crc32(data)


def unframe(line: "bytes | bytearray") -> "tuple[int, str]":
    """A line without its LF -> (UNFRAMED | GOOD | BAD, body as text). A BAD line's body is empty."""
    for byte in line:
        if not 32 <= byte < 127:
            return BAD, ""
    state, body = unframe_clean(bytes(line))
    return state, body.decode()


def unframe_clean(line: bytes) -> "tuple[int, bytes]":
    """The same, in bytes, of a line that is known to be printable ASCII (LineReader.clean)."""
    if line[-_TAIL : 2 - _TAIL] != b" *":
        # A check sum cut in half must not pass for a person's line.
        return (BAD, b"") if b" *" in line[-_TAIL:] else (UNFRAMED, line)
    body = line[:-_TAIL]
    return (GOOD, body) if b"%08x" % crc32(body) == line[2 - _TAIL :] else (BAD, b"")


def split(body: str) -> "list[str]":
    """The fields of a body; quoted texts stay whole, quotes included. Raises line_form."""
    return [field.decode() for field in split_bytes(body.encode())]


def split_bytes(body: bytes) -> "list[bytes]":
    """The same in bytes."""
    if b'"' not in body:
        fields = body.split(b" ")
    else:
        fields = []
        at = 0
        while at <= len(body):
            end = _field_end(body, at)
            fields.append(body[at:end])
            at = end + 1
    if b"" in fields:
        raise ProtocolError(t.E_LINE_FORM)
    return fields


def _field_end(body: bytes, at: int) -> int:
    """Where the field that starts at `at` ends: at a space outside quotes, or at the end."""
    while True:
        space = body.find(b" ", at)
        quote = body.find(b'"', at)
        if quote < 0 or 0 <= space < quote:
            return space if space >= 0 else len(body)
        # Behind the closing quote: the next one with an even number of backslashes before it.
        at = quote + 1
        while True:
            at = body.find(b'"', at)
            if at < 0:
                raise ProtocolError(t.E_LINE_FORM)
            slashes = at
            while body[slashes - 1] == _BACKSLASH:
                slashes -= 1
            at += 1
            if (at - 1 - slashes) % 2 == 0:
                break


def request_id(field: "str | bytes") -> int:
    """The number of a request id, or -1 if the field is none."""
    if field.isdigit() and len(field) <= 7 and (len(field) == 1 or field[0] not in ("0", 0x30)):
        return int(field)
    return -1


class LineReader:
    """Collects bytes into lines in one preallocated buffer; an over-long line is thrown away up to its end.

    clean: the line so far is printable ASCII; a CR counts as such only before the LF.
    """

    def __init__(self, limit: int = t.LINE_BYTES) -> None:
        self.buffer = bytearray(limit)
        self.length = 0
        self.overlong = False
        self.clean = True
        self.thrown = 0

    def fill(self, data: "bytes | bytearray", at: int, end: int) -> int:
        """Take plain bytes of data[at:end], which is quicker than one at a time, up to the first that needs push().

        Returns where it stopped.
        """
        if self.overlong or (self.length and self.buffer[self.length - 1] == _CR):
            return at
        length = self.length
        end = min(end, at + len(self.buffer) - 1 - length)
        while at < end and 32 <= data[at] < 127:
            self.buffer[length] = data[at]
            length += 1
            at += 1
        self.length = length
        return at

    def push(self, byte: int) -> bool:
        """Take one byte; True when it ended a line, which is then in buffer[:length] until clear()."""
        if byte == _LF:
            if self.overlong:
                self.clear()
                self.thrown += 1
                return False
            if self.length and self.buffer[self.length - 1] == _CR:
                self.length -= 1
            return True
        # One byte is kept for the LF that counts as part of a line.
        if self.length >= len(self.buffer) - 1:
            self.overlong = True
        else:
            if not 32 <= byte < 127 and byte != _CR or self.length and self.buffer[self.length - 1] == _CR:
                self.clean = False
            self.buffer[self.length] = byte
            self.length += 1
        return False

    def clear(self) -> None:
        self.length = 0
        self.overlong = False
        self.clean = True
