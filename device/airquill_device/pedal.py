"""A foot pedal: debouncing, stuck contacts, gestures, and what they set off.

A press or release counts once the contact has agreed with it for its agreement time, taken from the first edge; an edge
or a level that disagrees starts the time anew. So a bounce burst gives one event and a noisy cable none.
"""

from airquill_protocol import tables as t
from airquill_protocol.compat import const

TAP = const(0)
HOLD = const(1)
DOUBLE = const(2)

# pedal#.vacuum
_MOMENTARY = const(1)
_INVERTED = const(2)
_LATCHING = const(3)

# pedal#.*_does
_RELEASE = const(1)
_NEXT_PRESET = const(2)
_PREVIOUS_PRESET = const(3)

# A contact quiet for this many passes has ended its burst: the next edge is a new movement of the pedal.
_QUIET_PASSES = const(8)
_LATE_US = const(2000)


class Pedal:
    """Pedal number `n`, from 0. Public: `down` (debounced), `presses` (since start), `busy` (a gesture is open)."""

    def __init__(self, app, n):
        self.app = app
        self.board = app.board
        self.n = n
        self.down = False
        self.presses = 0
        self.busy = False
        self._first = t.PEDALN + n * t.PEDALN_SIZE
        self._bit = 1 << n
        self._edge_bit = 0x100 << n
        self._pins = 0x101 << n
        self._fresh_start = True
        self._rest = 0
        self._level = 0
        # Nothing is under way: until the contact moves, a pass has nothing to do.
        self._at_rest = False
        self._since = -1
        self._moved_at = -1
        self._quiet = 0
        self._locked = False
        self._ignored = False
        self._down_s = 0
        self._stuck = False
        self._pressed_at = 0
        self._waits = False
        self._vacuum = 0
        self._has_hold = False
        self._has_double = False
        self._press_us = 0
        self._release_us = 0
        self._lockout_us = 0
        self._hold_us = 0
        self._double_us = 0
        self._stuck_s = 0

    def configure(self):
        """Take the settings of now. After a change of the contact's polarity the pedal starts anew, as at power-up."""
        v = self.app.values
        first = self._first
        rest = self._bit if v[first + t.PEDALN_CONTACT] else 0
        if rest != self._rest:
            self._rest = rest
            self._fresh_start = True
            self._at_rest = False
        self._vacuum = v[first + t.PEDALN_VACUUM]
        self._has_hold = v[first + t.PEDALN_HOLD_DOES] != 0 or len(v[first + t.PEDALN_HOLD_KEYS]) != 0
        self._has_double = v[first + t.PEDALN_DOUBLE_DOES] != 0 or len(v[first + t.PEDALN_DOUBLE_KEYS]) != 0
        self._press_us = v[first + t.PEDALN_PRESS_MS] * 1000
        self._release_us = v[first + t.PEDALN_RELEASE_MS] * 1000
        self._lockout_us = v[first + t.PEDALN_LOCKOUT_MS] * 1000
        self._hold_us = v[first + t.PEDALN_HOLD_MS] * 1000
        self._double_us = v[first + t.PEDALN_DOUBLE_MS] * 1000
        self._stuck_s = v[first + t.PEDALN_STUCK_S]

    def safe(self):
        """Forget the gesture under way; a pedal that is down sets nothing off until it is pressed anew."""
        self.busy = False
        self._waits = False
        self._ignored = self.down

    def tick(self, now, pins):
        """`pins` is what board.pedals() gave in this pass."""
        if self._at_rest and pins & self._pins == self._level:
            return
        edge = self.board.pedal_edge(self.n) if pins & self._edge_bit else -1
        level = pins & self._bit
        if edge >= 0 or level != self._level:
            self._level = level
            if self.app.wants_edges:
                self._tell_edge(edge if edge >= 0 else now)
        pressed = level != self._rest
        if self._fresh_start:
            self._start(pressed)
        if pressed == self.down:
            self._since = -1
            if self._moved_at >= 0:
                self._settle(edge)
        else:
            self._disagree(now, edge)
        if self._locked and self.board.ticks_diff(now, self._pressed_at) >= self._lockout_us:
            self._locked = False
        if self.busy:
            self._gesture(now)
        self._at_rest = self._since < 0 and self._moved_at < 0 and not self._locked and not self.busy

    def _tell_edge(self, us):
        self.app.emit(t.T_EDGE, self.n + 1, 1 if self._level else 0, us)

    def due(self):
        """When the agreement under way will have lasted long enough, or -1 when none is under way."""
        if self._since < 0:
            return -1
        return self.board.ticks_add(self._since, self._release_us if self.down else self._press_us)

    def _start(self, pressed):
        self._fresh_start = False
        self._since = -1
        self.safe()
        self.down = pressed
        self._ignored = pressed
        self._down_s = 0
        self._report_stuck(pressed)

    def _settle(self, edge):
        if edge >= 0:
            self._quiet = 0
            return
        self._quiet += 1
        if self._quiet > _QUIET_PASSES:
            self._moved_at = -1

    def _disagree(self, now, edge):
        """The contact says otherwise than the debounced state: count it once it has said so long enough."""
        self._quiet = 0
        if self._since < 0 or edge >= 0:
            if self._moved_at < 0:
                self._moved_at = edge if edge >= 0 else now
            # Only a pass's first edge is stamped: when the next pass comes late, nobody knows when the last one was.
            self._since = edge if edge >= 0 and self.board.ticks_diff(now, edge) < _LATE_US else now
        agreed_us = self.board.ticks_diff(now, self._since)
        if self.down:
            if agreed_us >= self._release_us:
                self._released()
        elif agreed_us >= self._press_us and not self._locked:
            self._pressed(now)

    def _pressed(self, now):
        app = self.app
        self.down = True
        self._down_s = 0
        self._since = -1
        self.presses += 1
        app.emit(t.T_PEDAL, self.n + 1, 1, self._moved_at)
        self._moved_at = -1
        second_tap = self._waits and self.busy
        if second_tap and self.board.ticks_diff(now, self._pressed_at) >= self._double_us:
            self._fire(TAP)
            second_tap = False
        self._pressed_at = now
        self._locked = self._lockout_us > 0
        if app.stopped:
            # A press that clears a fault does nothing else; nor does one that could not clear it.
            self.busy = False
            self._ignored = True
            app.clear()
            return
        if self._vacuum == _MOMENTARY:
            app.cycle.vacuum(True)
        elif self._vacuum == _INVERTED:
            app.cycle.vacuum(False)
        elif self._vacuum == _LATCHING:
            app.cycle.toggle()
        self._waits = False
        if second_tap:
            self.busy = False
            self._fire(DOUBLE)
        elif self._has_double or self._has_hold:
            self.busy = True
            self._waits = self._has_double
        else:
            self._fire(TAP)

    def _released(self):
        self.down = False
        self._since = -1
        self.app.emit(t.T_PEDAL, self.n + 1, 0, self._moved_at)
        self._moved_at = -1
        self._report_stuck(False)
        if self._ignored:
            self._ignored = False
            return
        if self._vacuum == _MOMENTARY:
            self.app.cycle.vacuum(False)
        elif self._vacuum == _INVERTED:
            self.app.cycle.vacuum(True)
        if self.busy and not self._waits:
            self.busy = False
            self._fire(TAP)

    def _gesture(self, now):
        """A gesture is open: end the wait for a second tap, or see that the press has become a hold."""
        since_us = self.board.ticks_diff(now, self._pressed_at)
        if self._waits:
            if since_us < self._double_us:
                return
            self._waits = False
            if not self.down or not self._has_hold:
                self.busy = False
                self._fire(TAP)
        elif self.down and since_us >= self._hold_us:
            self.busy = False
            self._fire(HOLD)

    def _fire(self, gesture):
        app = self.app
        app.emit(t.T_GESTURE, self.n + 1, gesture)
        does = app.values[self._first + t.PEDALN_TAP_DOES + gesture]
        if does == _RELEASE:
            app.cycle.vacuum(False)
        elif does == _NEXT_PRESET:
            app.cycle.step_preset(1)
        elif does == _PREVIOUS_PRESET:
            app.cycle.step_preset(-1)
        app.keyboard.strike(app.values[self._first + t.PEDALN_TAP_KEYS + gesture])

    def _report_stuck(self, on):
        if on != self._stuck:
            self._stuck = on
            self.app.notice(t.F_PEDAL1_STUCK + self.n, on)

    def second(self):
        """Report a pedal that has been down for longer than its limit."""
        if self.down:
            self._down_s += 1
            if self._down_s > self._stuck_s:
                self._report_stuck(True)
