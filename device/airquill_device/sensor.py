"""The vacuum sensor: converter code to vacuum, filter, noise, and a plug that fell off."""

from airquill_protocol import tables as t
from airquill_protocol.compat import const

# Outside 0.5 % of either end of the code range the line is open or shorted, common practice, no source.
_LOWEST_CODE = const(328)
_HIGHEST_CODE = const(65207)
_BAD_US = const(100000)
# Longest step the filter takes, so that its product stays below 2**30.
_LONGEST_STEP_US = const(65535)
# Deviations are cut here (14 kPa) so that 500 squares stay below 2**30.
_MOST_DEVIATION = const(1400)


class Sensor:
    """Vacuum in hundredths of a kPa below ambient.

    Public: `present`, `kpa` (filtered), `code`, `noise` (standard deviation over the last second), `steady_noise` (the
    noise of the last two seconds that no pick disturbed, the smaller one), `out_of_range()`.
    """

    def __init__(self, app):
        self.app = app
        self.board = app.board
        self.present = False
        self.kpa = 0
        self.code = 0
        self.noise = 0
        self.steady_noise = 0
        self._out = False
        self._last = 0
        self._bad_for_us = 0
        self._started = False
        self._zero = 0
        self._span = 0
        self._filter_us = 0
        # Filtered vacuum in sixteenths of the unit, and what the last steps left over, in 1024ths of that.
        self._fine = 0
        self._rest = 0
        self._calm = 0
        self._calm_noise = 0
        self._reference = 0
        self._count = 0
        self._sum = 0
        self._squares = 0

    def configure(self):
        """Take the settings of now; with another calibration the filter starts anew."""
        v = self.app.values
        self.present = "sensor" in self.board.capabilities()
        if v[t.SENSOR_ZERO_CODE] != self._zero or v[t.SENSOR_SPAN_KPA] != self._span:
            self._zero = v[t.SENSOR_ZERO_CODE]
            self._span = v[t.SENSOR_SPAN_KPA]
            self._started = False
            self.disturb()
        self._filter_us = v[t.SENSOR_FILTER_MS] * 1000

    def disturb(self):
        """The vacuum is about to move: the noise of this second and the next is no noise of the sensor."""
        self._calm = 0

    def tick(self, now):
        """One sample; the loop asks for one every 4 passes."""
        if not self.present:
            return
        step_us = self.board.ticks_diff(now, self._last)
        if step_us > _LONGEST_STEP_US or step_us < 0:
            step_us = _LONGEST_STEP_US
        self._last = now
        code = self.board.sensor_code()
        self.code = code if code >= 0 else 0
        if code < _LOWEST_CODE or code > _HIGHEST_CODE:
            self._bad(step_us)
            return
        self._bad_for_us = 0
        self._out = False
        # Sixteenths: at most 16384 * 40000, below 2**30.
        fine = ((code - self._zero) >> 2) * self._span >> 10
        self._filter(fine, step_us)
        self._note_deviation((fine >> 4) - self._reference)

    def _bad(self, step_us):
        if self._out:
            return
        self._bad_for_us += step_us
        if self._bad_for_us > _BAD_US:
            self._out = True
            self.app.fault(t.F_SENSOR_RANGE)

    def _filter(self, fine, step_us):
        if not self._started:
            self._started = True
            self._fine = fine
            self._rest = 0
        else:
            share = step_us * 1024 // (self._filter_us + step_us) if step_us else 0
            moved = self._rest + (fine - self._fine) * share
            self._fine += moved >> 10
            self._rest = moved & 1023
        self.kpa = self._fine >> 4

    def _note_deviation(self, deviation):
        if deviation > _MOST_DEVIATION:
            deviation = _MOST_DEVIATION
        elif deviation < -_MOST_DEVIATION:
            deviation = -_MOST_DEVIATION
        if self._count < 500:
            self._count += 1
            self._sum += deviation
            self._squares += deviation * deviation

    def second(self):
        """Close the second's noise estimate and open the next."""
        n = self._count
        if n > 1:
            # sum * sum / n in parts, each below 2**30.
            mean = self._sum // n
            left = self._sum - mean * n
            variance = (self._squares - mean * self._sum - mean * left - left * left // n) // n
            self.noise = (_root(variance * 4) + 1) >> 1
            if self._calm >= 2:
                self.steady_noise = self.noise if self._calm == 2 else min(self.noise, self._calm_noise)
            self._calm_noise = self.noise
            if self._calm < 3:
                self._calm += 1
        self._reference = self.kpa
        self._count = 0
        self._sum = 0
        self._squares = 0

    def out_of_range(self):
        """True while the code is beyond what a sound sensor gives, or does not come, for longer than a moment."""
        return self._out

    def ambient_code(self):
        """The code that the filtered vacuum of now stands for: one sample would carry the noise.

        Asked by a person, so this one may make a big integer.
        """
        code = self._zero + (self._fine * 4096 + self._span // 2) // self._span
        return min(max(code, 0), 65535)


def _root(square):
    """Integer square root, by Newton's steps."""
    if square < 2:
        return square
    root = square
    step = (root + 1) >> 1
    while step < root:
        root = step
        step = (root + square // root) >> 1
    return root
