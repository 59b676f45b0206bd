"""The keyboard: plays strokes as reports of the boot protocol, one at a time, never over an unread one."""

from airquill_device import stroke
from airquill_protocol import tables as t
from airquill_protocol.compat import const

HOST_ABSENT = const(0)
HOST_ASLEEP = const(1)
HOST_READY = const(2)

QUEUE = const(4)
# A computer that takes no report for this long will not take this stroke.
_BLOCKED_US = const(1000000)
# A computer that (re)connects is looked for every so many passes.
_MOUNT_PASSES = const(8)

# What comes next: a report to hand over, or a wait to end.
_IDLE = const(0)
_STEP = const(1)
_MODIFIERS_DOWN = const(2)
_KEYS_DOWN = const(3)
_HELD = const(4)
_KEYS_UP = const(5)
_MODIFIERS_UP = const(6)
_PAUSE = const(7)


class Keyboard:
    """Public: `sent` and `dropped` (strokes, since start), `is_busy()`."""

    def __init__(self, app):
        self.app = app
        self.board = app.board
        self.sent = 0
        self.dropped = 0
        self._report = bytearray(8)
        self._queue = [None] * QUEUE
        self._allowed = [None] * QUEUE  # programs that were checked, and the first report of each
        self._firsts = (bytearray(8), bytearray(8), bytearray(8), bytearray(8))
        self._next_allowed = 0
        self._head = 0
        self._queued = 0
        self._program = None
        self._at = 0
        self._phase = _IDLE
        self._modifiers = 0
        self._keys = 0
        self._hold_us = 0
        self._gap_us = 0
        self._since = 0
        self._trying = False
        self._all_up_due = True
        self._blocked = False
        self._mounts = 0
        self._passes = 0

    def configure(self):
        """An all-zero report follows, at once or as the end of the chord that is being played."""
        for i in range(QUEUE):
            self._allowed[i] = None  # permissions may have changed
        self._all_up_due = True

    def safe(self):
        """Drop everything, and let all keys up as soon as the computer takes the report."""
        self._drop_all()
        self._all_up_due = True

    def is_busy(self):
        """True while a stroke is played or waits."""
        return self._phase != _IDLE or self._queued > 0

    def strike(self, program):
        """Queue a stroke program. False when there is nothing to send or it had to be dropped (which is counted)."""
        if len(program) == 0:
            return False
        # First, or the stroke would be dropped with what was there before the mount.
        if self.board.key_mounts() != self._mounts:
            self._look_for_mount()
        if self._queued == QUEUE or self.board.key_host() != HOST_READY:
            self.dropped += 1
            return False
        i = 0
        while self._allowed[i] is not program:
            i += 1
            if i == QUEUE:
                i = self._check(program)
                if i < 0:
                    self.dropped += 1
                    return False
        if self._phase == _IDLE and self._queued == 0 and not self._all_up_due:
            # At once, and what there is to note comes afterwards: a press must not wait.
            # The time is from before: no computer may have a report that was not yet handed over by what is told of it.
            now = self.board.ticks_us()
            if self.board.key_report(self._firsts[i]):
                self._begin(program)
                self._next_chord()
                self._report[:] = self._firsts[i]
                self._go_on(now)
                return True
        self._queue[(self._head + self._queued) % QUEUE] = program
        self._queued += 1
        return True

    def _check(self, program):
        """Where a stroke's first report stands, or -1: it is damaged or not permitted.

        What was found good is known again by its identity, so that a press need not wait for this.
        """
        v = self.app.values
        if stroke.allowed(program, v[t.KEYS_ALLOW_SYSTEM], v[t.KEYS_ALLOW_TEXT]):
            return -1
        i = self._next_allowed
        self._next_allowed = (i + 1) % QUEUE
        self._allowed[i] = program
        at = 0
        while program[at] < stroke.CHORD:
            at += 3
        # The first report has the modifiers where there are any, else the keys.
        first = self._firsts[i]
        keys = 0 if program[at + 1] else program[at] - stroke.CHORD
        first[0] = program[at + 1]
        for n in range(2, 8):
            first[n] = program[at + n] if n < 2 + keys else 0
        return i

    def tick(self, now):
        # Asked in every pass, since the board follows the bus by it.
        ready = self.board.key_host() == HOST_READY
        if self._phase == _IDLE and self._queued == 0:
            self._passes += 1
            if self._passes >= _MOUNT_PASSES or self._all_up_due:
                self._passes = 0
                self._look_for_mount()
            if ready and self._all_up_due:
                self._let_all_up(now)
            return
        self._look_for_mount()
        if not ready:
            self.safe()
            return
        if self._phase == _IDLE:
            if self._queued == 0:
                return
            if self._all_up_due and not self._let_all_up(now):
                self._wait(now)
                return
            self._begin(self._queue[self._head])
            self._queue[self._head] = None
            self._head = (self._head + 1) % QUEUE
            self._queued -= 1
        self._play(now)

    def _look_for_mount(self):
        mounts = self.board.key_mounts()
        if mounts != self._mounts:
            self._mounts = mounts
            self._drop_all()
            self._all_up_due = True

    def _drop_all(self):
        if self._phase != _IDLE:
            self.dropped += 1
            self._phase = _IDLE
        self.dropped += self._queued
        self._queued = 0
        self._program = None
        self._trying = False
        for i in range(QUEUE):
            self._queue[i] = None

    def _let_all_up(self, now):
        for i in range(8):
            self._report[i] = 0
        if not self.board.key_report(self._report):
            return False
        self._taken(now)
        self._all_up_due = False
        return True

    def _begin(self, program):
        self._program = program
        self._at = 0
        self._hold_us = self.app.values[t.KEYS_HOLD_MS] * 1000
        self._gap_us = self.app.values[t.KEYS_GAP_MS] * 1000
        self._phase = _STEP

    def _play(self, now):
        phase = self._phase
        if phase == _HELD:
            if self.board.ticks_diff(now, self._since) < self._hold_us:
                return
            phase = self._phase = _KEYS_UP if self._keys else _MODIFIERS_UP
        elif phase == _PAUSE:
            if self.board.ticks_diff(now, self._since) < self._gap_us:
                return
            phase = self._phase = _STEP
        if phase == _STEP and not self._next_chord():
            self._phase = _IDLE
            self._program = None
            self.sent += 1
            return
        self._send(now)

    def _next_chord(self):
        """Take the next chord of the program; hold and gap steps before it are obeyed on the way."""
        program = self._program
        while self._at < len(program):
            at = self._at
            code = program[at]
            if code >= stroke.CHORD:
                self._keys = code - stroke.CHORD
                self._modifiers = program[at + 1]
                self._phase = _MODIFIERS_DOWN if self._modifiers else _KEYS_DOWN
                return True
            us = (program[at + 1] | program[at + 2] << 8) * 1000
            if code == stroke.HOLD:
                self._hold_us = us
            else:
                self._gap_us = us
            self._at = at + 3
        return False

    def _send(self, now):
        """Hand over the next report. It is the last one but for what this phase changes."""
        report = self._report
        phase = self._phase
        if phase == _KEYS_DOWN:
            report[0] = self._modifiers
            for i in range(self._at + 2, self._at + 2 + self._keys):
                report[i - self._at] = self._program[i]
        elif phase == _KEYS_UP:
            for i in range(2, 2 + self._keys):
                report[i] = 0
        else:
            report[0] = self._modifiers if phase == _MODIFIERS_DOWN else 0
        if not self.board.key_report(report):
            self._wait(now)
            return
        self._go_on(now)

    def _go_on(self, now):
        """The report was taken: what comes next."""
        phase = self._phase
        self._taken(now)
        self._since = now
        if phase == _MODIFIERS_DOWN and self._keys:
            self._phase = _KEYS_DOWN
        elif phase == _MODIFIERS_DOWN or phase == _KEYS_DOWN:
            self._phase = _HELD
        elif phase == _KEYS_UP and self._modifiers:
            self._phase = _MODIFIERS_UP
        else:
            self._at += 2 + self._keys
            self._all_up_due = False
            self._phase = _PAUSE

    def _taken(self, now):
        self._trying = False
        if self._blocked:
            self._blocked = False
            self.app.notice(t.F_KEYS_BLOCKED, False)
        self.app.emit_report(self._report, now)

    def _wait(self, now):
        """The report before this one is unread: try again next pass, for a second; then drop what there is to send."""
        if not self._trying:
            self._trying = True
            self._since = now
        elif not self._blocked and self.board.ticks_diff(now, self._since) >= _BLOCKED_US:
            self._blocked = True
            self.app.notice(t.F_KEYS_BLOCKED, True)
            self.safe()
