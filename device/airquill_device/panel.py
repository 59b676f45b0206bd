"""The front panel: a push-knob and a bar of five lamps. docs/panel.md shows what they do."""

from airquill_protocol import tables as t
from airquill_protocol.compat import const

LAMPS = const(5)
# In looks, 16 ms apart, which is slower than a knob's contact bounces: 3 s to take a turn back, 1 s to show a preset's
# number, 0.5 s for each half of a fault's blink.
_UNDO_LOOKS = const(188)
_SHOW_LOOKS = const(63)
_BLINK_LOOK = const(32)

_BRIGHT = const(255)
_DIM = const(64)
_FULL_PCT = const(1000)
# Vacuum that fills the bar until the preset's sealed level is learned, hundredths of a kPa.
_FULL_KPA = const(8000)


class Panel:
    """Turning changes strength, a push goes to the next preset; the bar shows strength, vacuum, preset, fault."""

    def __init__(self, app):
        self.app = app
        self.board = app.board
        self.present = False
        self._lamps = bytearray(LAMPS)
        self._shown = bytearray(LAMPS)
        self._stale = True
        self._looks = 0
        # Counts as down until seen up, so that a push held at power-up does nothing.
        self._down = True
        self._undo_left = 0
        self._undo_strength = 0
        self._show_left = 0
        self._preset = 0
        self._brightness = 0

    def configure(self):
        self.present = "panel" in self.board.capabilities()
        self._brightness = self.app.values[t.PANEL_BRIGHTNESS_PCT]
        self._stale = True

    def tick(self, now):
        """One look at knob and push; the loop asks for one every 16 passes."""
        if not self.present:
            return
        self._looks = (self._looks + 1) & 1023
        if self._undo_left:
            self._undo_left -= 1
        steps = self.board.knob()
        down = self.board.knob_down()
        pushed = down and not self._down
        self._down = down
        if not self.app.values[t.PANEL_LOCK]:
            if steps:
                self._turned(steps)
            if pushed:
                self._pushed()

    def _turned(self, steps):
        cycle = self.app.cycle
        if not self._undo_left:
            self._undo_strength = cycle.strength
        self._undo_left = _UNDO_LOOKS
        cycle.use_strength(cycle.strength + steps * self.app.values[t.PANEL_STEP_PCT])

    def _pushed(self):
        cycle = self.app.cycle
        if self.app.stopped:
            self.app.clear()
        elif self._undo_left:
            self._undo_left = 0
            cycle.use_strength(self._undo_strength)
        else:
            cycle.step_preset(1)

    def paint(self):
        """Work out what the bar shows, in another pass than the look."""
        if not self.present:
            return
        cycle = self.app.cycle
        if cycle.preset != self._preset:
            # The first preset after the start is no change.
            self._show_left = _SHOW_LOOKS if self._preset else 0
            self._preset = cycle.preset
            self._undo_left = 0
        if self.app.stopped:
            self._undo_left = 0
            self._paint_number(self.app.fault_number, self._looks & _BLINK_LOOK)
        elif self._show_left:
            self._show_left -= 1
            self._paint_preset(self._preset)
        else:
            self._paint_level()

    def show(self):
        """Hand what was painted to the lamps, in a pass of its own."""
        if not self.present:
            return
        lamps = self._lamps
        shown = self._shown
        changed = self._stale
        for i in range(LAMPS):
            if lamps[i] != shown[i]:
                shown[i] = lamps[i]
                changed = True
        if changed:
            self._stale = False
            self.board.bar(lamps, self._brightness)

    def _paint_number(self, number, lit):
        """A fault's number in binary, the first lamp worth 1, blinking."""
        for i in range(LAMPS):
            self._lamps[i] = _BRIGHT if lit and number >> i & 1 else 0

    def _paint_preset(self, number):
        """One lamp for presets 1 to 5; the last lamp and one more, worth 5 together with its place, from 6 on."""
        for i in range(LAMPS):
            lit = i == number - 1 or (number > LAMPS and (i == LAMPS - 1 or i == number - LAMPS - 1))
            self._lamps[i] = _BRIGHT if lit else 0

    def _paint_level(self):
        """Strength as a bar; with a sensor it is dim and the vacuum fills it brightly."""
        cycle = self.app.cycle
        sensor = self.app.sensor
        strength = cycle.strength * LAMPS * _BRIGHT // _FULL_PCT
        vacuum = 0
        lit = _BRIGHT
        if sensor.present:
            lit = _DIM
            if sensor.kpa > 0:
                full = self.app.values[t.PRESETN + (cycle.preset - 1) * t.PRESETN_SIZE + t.PRESETN_SEALED_KPA]
                vacuum = sensor.kpa * LAMPS * _BRIGHT // (full if full else _FULL_KPA)
        self._paint_two(strength, lit, vacuum)

    def _paint_two(self, strength, lit, vacuum):
        """Two bars in one, each of up to 255 a lamp."""
        i = 0
        while i < LAMPS:
            level = (strength if strength < _BRIGHT else _BRIGHT) * lit // _BRIGHT
            filled = vacuum if vacuum < _BRIGHT else _BRIGHT
            self._lamps[i] = filled if filled > level else level
            strength = strength - _BRIGHT if strength > _BRIGHT else 0
            vacuum -= filled
            i += 1
