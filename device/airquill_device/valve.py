"""The 3/2 valve that puts the tip on the pump: peak and hold, vent time, and the puff of a second valve."""

from airquill_device.pump import duty_u16
from airquill_protocol import tables as t
from airquill_protocol.compat import const

_PEAK_DUTY = const(65535)


class Valve:
    """Switches the tip between pump and ambient. Public: `is_on`."""

    def __init__(self, app):
        self.app = app
        self.board = app.board
        self.is_on = False
        self._hz = 0
        self._peak_us = 0
        self._hold_duty = 0
        self._vent_us = 0
        self._blow_us = 0
        self._off_at = 0

    def configure(self):
        """Take the settings of now; drive settings hold from the next time it is switched on."""
        v = self.app.values
        if v[t.VALVE_PWM_HZ] != self._hz:
            self._hz = v[t.VALVE_PWM_HZ]
            self.board.valve_freq(self._hz)
        self._peak_us = v[t.VALVE_PEAK_MS] * 1000
        self._hold_duty = duty_u16(v[t.VALVE_HOLD_PCT])
        self._vent_us = v[t.VALVE_VENT_MS] * 1000
        self._blow_us = v[t.VALVE_BLOW_MS] * 1000

    def on(self):
        """Tip on the pump: full drive, then hold. The board times the peak, so a long pass cannot stretch it."""
        self.is_on = True
        self.board.valve(_PEAK_DUTY, self._peak_us, self._hold_duty)

    def off(self):
        """Tip on ambient; the vent time starts."""
        self.is_on = False
        self._off_at = self.board.ticks_us()
        self.board.valve_off()

    def blow(self):
        """One puff, where it is set and there is a second valve."""
        if self._blow_us:
            self.board.blow(self._blow_us)

    def vented(self, now):
        """True once the vent time after `off` is over."""
        return self.board.ticks_diff(now, self._off_at) >= self._vent_us

    def safe(self):
        self.is_on = False
        self.board.valve_off()
