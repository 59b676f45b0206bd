"""The unit's end of the line: bytes to requests, replies and events to bytes, never blocking the loop.

At most LINE_BYTES are under way unacknowledged; any line from the host acknowledges. Replies wait for room, events that
find their ring full are dropped and counted, and their running number shows the gap.

A request is done in steps, one a pass, so that none holds the loop: its work is a generator that gives None after each
step and its reply's text at the end. Until then no further line is read.
"""

from array import array
from binascii import hexlify

from airquill_device import verbs
from airquill_protocol import frame
from airquill_protocol import tables as t
from airquill_protocol import values as v
from airquill_protocol.compat import const
from airquill_protocol.fault import ProtocolError

_RING = const(32)
_BYTES_A_PASS = const(12)
_CTRL_C = const(3)
_LONGEST_NUMBER = const(0x3FFFFFFF)
# What each takes of the heap at most, measured on the chip.
_ALWAYS = (b"do stop", b"do release")  # what must never be refused for want of memory
_LINE_BYTES = const(700)
_STEP_BYTES = const(350)
_EVENT_BYTES = const(200)
_EVENT_CHARACTER_BYTES = const(14)


class Link:
    """One serial line. `framed` after a framed greeting; `heard_at` is when the last line came."""

    def __init__(self, app):
        self.app = app
        self.board = app.board
        self.framed = False
        self.session = False
        self.heard_at = 0
        self.bad_lines = 0
        self.dropped = 0
        self.spent_bytes = 0  # estimate of what requests and events took since memory was last collected
        self.listening = 0  # bit mask of topics
        self.stream_us = 0
        self.streamed = ()  # (index, " path=") of each reading
        self.shadow = None  # values of an open batch
        self.streamed_at = 0
        self._reader = frame.LineReader()
        self._in = bytearray(_BYTES_A_PASS)
        self._in_at = 0
        self._in_end = 0
        self._line = None  # a whole one that is to be looked at, without its LF; b"" for one that cannot be right
        self._out = b""
        self._out_at = 0
        self._reply = None
        self._event = None  # the oldest event's text in steps, then its line
        self._work = None  # what is being done for the request under way; see _step
        self._asked = None  # that request's body, in bytes
        self._asked_id = 0
        self._asked_framed = False
        self._unread = 0
        self._last_id = -1
        self._last_crc = b""
        self._last_reply = None
        self._number = 0
        self._events = array("i", [0] * (_RING * 5))
        self._reports = bytearray(_RING * 8)
        self._first = 0
        self._count = 0

    # -- events --------------------------------------------------------------------------------------------------

    def emit(self, topic, a=0, b=0, c=0):
        """Note an event for the host that listens; allocates nothing."""
        if not self.listening >> topic & 1:
            return
        self._number = (self._number + 1) & _LONGEST_NUMBER
        if self._count == _RING:
            self.dropped += 1
            return
        at = (self._first + self._count) % _RING * 5
        self._count += 1
        events = self._events
        events[at] = topic
        events[at + 1] = a
        events[at + 2] = b
        events[at + 3] = c
        events[at + 4] = self._number

    def emit_report(self, report, us):
        """Note that a keyboard report of eight bytes was queued."""
        if not self.listening >> t.T_KEY & 1:
            return
        if self._count < _RING:
            at = (self._first + self._count) % _RING * 8
            for i in range(8):
                self._reports[at + i] = report[i]
        self.emit(t.T_KEY, 0, us)

    def _event_body(self):
        """The oldest event's text, in steps."""
        at = self._first * 5
        events = self._events
        topic = events[at]
        name, fields = t.EVENTS[topic]
        body = "! %d %s" % (events[at + 4], name)
        for i in range(len(fields)):
            field, kind, words = fields[i]
            value = events[at + 1 + i]
            if kind == v.TEXT and topic == t.T_KEY:
                value = hexlify(self._reports[self._first * 8 : self._first * 8 + 8])
            elif kind == v.TEXT:
                value = t.FAULTS[events[at + 1]][0].encode()
            elif topic == t.T_FAULT and field == "on":
                value = events[at + 2]
            body += " %s=%s" % (field, v.render(kind, words, value))
            yield None
        yield body

    def _reading_body(self):
        """The text of a `reading` event, in steps."""
        body = "! %d reading" % self._events[self._first * 5 + 4]
        for index, head in self.streamed:
            yield None
            body += head + verbs.reading_text(self.app, index)
        yield body

    def listen(self, mask):
        self.listening = mask
        self.app.wants_edges = bool(mask >> t.T_EDGE & 1)

    def greeted(self, framed):
        """A greeting: everything of the session before it is forgotten."""
        self.framed = self.framed or framed
        self.session = True
        self._last_id = -1
        self._last_reply = None
        self._event = None
        self._count = 0
        self._number = 0
        self.listen(0)
        self.stream_us = 0
        self.shadow = None
        self.app.dead_man_us = 0

    # -- the pass ------------------------------------------------------------------------------------------------

    def tick(self, now):
        if self._asked is not None:
            self._step()
        elif self._line is not None:
            self._look_at_line()
        else:
            if self._in_at == self._in_end:
                self._in_at = 0
                self._in_end = self.board.serial_read(self._in)
            if self._in_at < self._in_end:
                self._take(now)
        if self.stream_us and self.board.ticks_diff(now, self.streamed_at) >= self.stream_us:
            self.streamed_at = now
            self.emit(t.T_READING)
        if self._count or self._event is not None or self._reply is not None or self._out_at < len(self._out):
            self._send()

    def _take(self, now):
        """Collect what was read, up to the end of a line; what is behind it waits until that line is done."""
        reader = self._reader
        while self._in_at < self._in_end:
            self._in_at = reader.fill(self._in, self._in_at, self._in_end)
            if self._in_at == self._in_end:
                break
            byte = self._in[self._in_at]
            self._in_at += 1
            if byte == _CTRL_C and reader.length == 0 and not reader.overlong:
                self.board.to_prompt()
            elif reader.push(byte):
                self.heard_at = now
                self._unread = 0
                if reader.length:
                    self._line = bytes(reader.buffer[: reader.length]) if reader.clean else b""
                reader.clear()
                if self._line is not None:
                    break
        if reader.thrown:
            self.bad_lines += reader.thrown
            reader.thrown = 0

    def is_empty(self):
        return self._reply is None and self._out_at >= len(self._out) and self._asked is None and self._line is None

    def _send(self):
        if self._out_at >= len(self._out):
            if self._reply is not None:
                if not self._start(self._reply):
                    return
                self._reply = None
            elif not self._go_on_with_event():
                return
        taken = self.board.serial_write(self._out, self._out_at, len(self._out) - self._out_at)
        self._out_at += taken

    def _start(self, line):
        """Begin a line if the host has read enough of what went before."""
        if self._unread and self._unread + len(line) > t.LINE_BYTES:
            return False
        self._unread += len(line)
        self._out = line
        self._out_at = 0
        return True

    def _go_on_with_event(self):
        """One step of an event; True when its line has begun."""
        if self._event is None:
            # What a request set off comes after its reply. An event may be as long as half a line; before that much is
            # read nothing is formatted.
            if not self._count or isinstance(self._work, str) or self._unread > t.LINE_BYTES // 2:
                return False
            if self.app.memory_is_low():
                self._drop_event()
                return False
            reading = self._events[self._first * 5] == t.T_READING
            self._event = self._reading_body() if reading else self._event_body()
        if isinstance(self._event, bytes):
            # A whole line that waits until the host has read enough.
            if not self._start(self._event):
                return False
            self._event = None
            return True
        body = next(self._event)
        if body is not None:
            self._first = (self._first + 1) % _RING
            self._count -= 1
            self.spent_bytes += _EVENT_BYTES + _EVENT_CHARACTER_BYTES * len(body)
            self._event = frame.frame(body)
        return False

    def _drop_event(self):
        self._first = (self._first + 1) % _RING
        self._count -= 1
        self.dropped += 1

    # -- requests ------------------------------------------------------------------------------------------------

    def _look_at_line(self):
        line = self._line
        self._line = None
        self.spent_bytes += _LINE_BYTES
        state, body = frame.unframe_clean(line)
        if state == frame.GOOD:
            self._program(body, line[-8:])
        elif state == frame.BAD or not line or self.framed:
            self.bad_lines += 1
            if state == frame.UNFRAMED and line:
                self._reply = frame.frame("- " + self._error(ProtocolError(t.E_UNFRAMED)))
        else:
            # Typed by hand: no id, no check sum.
            self._asked = body
            self._asked_framed = False

    def _program(self, body, crc):
        space = body.find(b" ")
        number = frame.request_id(body[: max(space, 0)])
        body = body[space + 1 :]
        if number < 0 or not body:
            self.bad_lines += 1
            return
        greeting = body.startswith(b"hello")
        if not greeting:
            if not self.session or not self.framed:
                self._refuse(number, t.E_NO_SESSION)
                return
            if number == self._last_id:
                if crc == self._last_crc:
                    self._reply = self._last_reply
                else:
                    self._refuse(number, t.E_ID_REUSED)
                return
        self._last_id = -1 if greeting else number
        self._last_crc = crc
        self._asked = body
        self._asked_id = number
        self._asked_framed = True

    def _refuse(self, number, error):
        self._reply = _framed(number, self._error(ProtocolError(error)))

    def _step(self):
        """One step of the request under way. The only place where an exception becomes a reply.

        Its work is first its fields, then what its verb gave, a generator of steps or the text of the reply, or the
        error that came of it, and at last that text.
        """
        self.spent_bytes += _STEP_BYTES
        try:
            self._work_on()
        except ProtocolError as error:
            self._work = error
        except MemoryError:
            self._work = ProtocolError(t.E_BUSY)
        except Exception as error:
            self.app.request_failed(error)
            self._work = ProtocolError(t.E_INTERNAL)

    def _work_on(self):
        work = self._work
        if work is None:
            body = self._asked
            if self.app.memory_is_low() and not body.startswith(b"hello") and body not in _ALWAYS:
                raise ProtocolError(t.E_BUSY)
            self._work = tuple(frame.split_bytes(body))
        elif isinstance(work, tuple):
            self._work = [field.decode() for field in work]
        elif isinstance(work, list):
            self._work = verbs.run(self.app, work, self._asked_framed)
        elif isinstance(work, str):
            if self._asked_framed:
                self._reply = self._last_reply = _framed(self._asked_id, work)
            else:
                self._reply = work.encode() + b"\n"
            self._work = self._asked = None
        elif isinstance(work, ProtocolError):
            self._work = self._error(work)
        else:
            text = next(work)
            if text is not None:
                self._work = text

    def _error(self, error):
        text = "error %d %s " % (error.number, error.word())
        sentence = v.quote(error.sentence().encode())
        room = frame.BODY_BYTES - len(text) - 8
        return text + (sentence if len(sentence) <= room else sentence[: room - 1].rstrip("\\") + '"')


def _framed(number, text):
    return frame.frame(b"%d " % number + text.encode())
