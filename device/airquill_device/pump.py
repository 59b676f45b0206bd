"""The pump: start kick, ramp, stall floor, run-on between picks, longest run, and what a life counter needs."""

from airquill_protocol import tables as t
from airquill_protocol.compat import const

_STANDING = const(0)
_START = const(1)
_KICK = const(2)
_TURN = const(3)
_RAMP = const(4)
_STEADY = const(5)


def duty_u16(pct):
    """A share in tenths of a percent as a PWM duty of 0 to 65535."""
    return pct * 65535 // 1000


class Pump:
    """Drives the pump to the wanted duty.

    Public: `duty` (u16, now), `run_s` and `starts` (since the unit started; whole seconds, sampled once a second).
    """

    def __init__(self, app):
        self.app = app
        self.board = app.board
        self.duty = 0
        self.run_s = 0
        self.starts = 0
        self._hz = 0
        self._phase = _STANDING
        self._idling = False
        self._wanted = 0
        self._goal = 0
        self._from = 0
        self._at = 0
        self._idle_s = 0
        self._this_run_s = 0
        self._kick_us = 0
        self._kick_duty = 0
        self._ramp_us = 0
        self._floor = 0
        self._idle_duty = 0
        self._idle_off_s = 0
        self._longest_run_s = 0

    def configure(self):
        """Take the settings of now; a running pump goes on from where it is."""
        v = self.app.values
        if v[t.PUMP_PWM_HZ] != self._hz:
            self._hz = v[t.PUMP_PWM_HZ]
            self.board.pump_freq(self._hz)
        self._kick_us = v[t.PUMP_KICK_MS] * 1000
        self._kick_duty = duty_u16(v[t.PUMP_KICK_PCT])
        self._ramp_us = v[t.PUMP_RAMP_MS] * 1000
        self._floor = duty_u16(v[t.PUMP_FLOOR_PCT])
        self._idle_duty = duty_u16(v[t.PUMP_IDLE_PCT])
        self._idle_off_s = v[t.PUMP_IDLE_OFF_S]
        self._longest_run_s = v[t.PUMP_LONGEST_RUN_S]
        if self._idling:
            self.idle()
        elif self._phase != _STANDING:
            self._aim(self._wanted)

    def want(self, duty):
        """Run at this duty, raised to the stall floor, until told otherwise."""
        self._idling = False
        self._wanted = duty
        self._aim(duty)

    def idle(self):
        """Between picks: run on at the idle duty, stop after the idle time; a standing pump stays so."""
        if self._phase == _STANDING:
            return
        if self._idle_duty == 0 or self._idle_off_s == 0:
            self.off()
            return
        if not self._idling:
            self._idling = True
            self._idle_s = 0
        self._aim(self._idle_duty)

    def off(self):
        """Stop at once."""
        self._phase = _STANDING
        self._idling = False
        self._goal = 0
        self._this_run_s = 0
        self._drive(0)

    def safe(self):
        """Stop, and say so to the board even when it should be standing."""
        self.duty = -1
        self.off()

    def _aim(self, duty):
        if duty < self._floor:
            duty = self._floor
        if duty == 0:
            self.off()
            return
        if self._phase == _STANDING:
            self._phase = _START
            self.starts += 1
        elif duty != self._goal and self._phase >= _TURN:
            self._phase = _TURN
        self._goal = duty

    def _drive(self, duty):
        if duty != self.duty:
            self.duty = duty
            self.board.pump(duty)

    def tick(self, now):
        phase = self._phase
        if phase == _STEADY or phase == _STANDING:
            return
        if phase == _START:
            self._at = now
            if self._kick_us:
                self._phase = _KICK
                self._drive(self._kick_duty)
                return
            self._drive(self._floor)
            phase = _TURN
        elif phase == _KICK:
            if self.board.ticks_diff(now, self._at) < self._kick_us:
                return
            phase = _TURN
        if phase == _TURN:
            self._from = self.duty
            self._at = now
            self._phase = _RAMP
        self._ramp(self.board.ticks_diff(now, self._at))

    def _ramp(self, elapsed_us):
        goal = self._goal
        if elapsed_us < self._ramp_us:
            # In units of 128 us the product stays below 2**30 up to the longest ramp.
            moved = (elapsed_us >> 7) * 65535 // (self._ramp_us >> 7)
            start = self._from
            if goal > start + moved:
                self._drive(start + moved)
                return
            if goal < start - moved:
                self._drive(start - moved)
                return
        self._drive(goal)
        self._phase = _STEADY

    def second(self):
        """Count the running time; stop after the idle time, and with a fault after the longest run."""
        if self._phase == _STANDING:
            return
        self.run_s += 1
        self._this_run_s += 1
        if self._this_run_s > self._longest_run_s:
            self.app.fault(t.F_PUMP_RAN_TOO_LONG)
            return
        if self._idling:
            if self._idle_s >= self._idle_off_s:
                self.off()
            else:
                self._idle_s += 1
