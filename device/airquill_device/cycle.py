"""The pick cycle: idle, picking, holding, releasing, stopped; grip detection, two-level control, presets, learning."""

from airquill_device.pump import duty_u16
from airquill_protocol import tables as t
from airquill_protocol.compat import const

IDLE = const(0)
PICKING = const(1)
HOLDING = const(2)
RELEASING = const(3)
STOPPED = const(4)

GRIP_UNKNOWN = const(0)
GRIP_NONE = const(1)
GRIP_HELD = const(2)

FOUND = const(0)
LOST = const(1)
MISSED = const(2)
RELEASED = const(3)

TIP_OPEN = const(0)
TIP_SEALED = const(1)

# Open and sealed must differ by this many times the noise to be told apart.
_NOISE_GAPS = const(3)
_FULL_PCT = const(1000)


class Cycle:
    """Public: `state`, `grip`, `picks`, `released`, `preset` (from 1), `strength` (tenths of a percent)."""

    def __init__(self, app):
        self.app = app
        self.board = app.board
        self.state = IDLE
        self.grip = GRIP_UNKNOWN
        self.picks = 0
        self.released = 0
        self.preset = 0
        self.strength = 0
        self._first = 0
        self._preset_strength = 0
        self._picked_at = 0
        self._held = False
        self._missed = False
        self._detects = False
        self._beyond_at = -1
        self._found_kpa = 0
        self._lost_kpa = 0
        self._low = False
        self._level_at = 0
        self._level_bound = False
        self._target_kpa = 0
        self._return_kpa = 0
        self._low_pct = 0
        self._settle_us = 0
        self._miss_us = 0
        self._qualify_us = 0
        self._min_us = 0

    # Settings

    def configure(self):
        """Take the settings of now. Strength follows its setting only when that changed: the knob's change stays."""
        v = self.app.values
        self._settle_us = v[t.CYCLE_SETTLE_MS] * 1000
        self._miss_us = v[t.CYCLE_MISS_MS] * 1000
        self._qualify_us = v[t.GRIP_QUALIFY_MS] * 1000
        self._min_us = v[t.CONTROL_MIN_MS] * 1000
        self._low_pct = v[t.CONTROL_LOW_PCT]
        preset = v[t.PRESET_ACTIVE]
        self._first = t.PRESETN + (preset - 1) * t.PRESETN_SIZE
        two_level = v[t.CONTROL_MODE] != 0 and self.app.sensor.present
        self._target_kpa = v[self._first + t.PRESETN_TARGET_KPA] if two_level else 0
        self._return_kpa = self._target_kpa - v[t.CONTROL_HYSTERESIS_KPA]
        strength = v[self._first + t.PRESETN_STRENGTH_PCT]
        if preset != self.preset or strength != self._preset_strength:
            told = self.preset != 0
            self.preset = preset
            self._preset_strength = strength
            self.strength = strength
            if told:
                self.app.emit(t.T_PRESET, preset, strength)
        if self._target_kpa == 0:
            self._low = False
        if self.is_on():
            self._decide_detection()
            self._drive()

    def _decide_detection(self):
        """Watch the grip only where open and sealed vacuum of this preset can be told apart."""
        v = self.app.values
        sensor = self.app.sensor
        open_kpa = v[self._first + t.PRESETN_OPEN_KPA]
        gap = v[self._first + t.PRESETN_SEALED_KPA] - open_kpa
        self._detects = (
            v[t.GRIP_DETECT] != 0
            and sensor.present
            and open_kpa > 0
            and gap > 0
            and gap >= _NOISE_GAPS * sensor.steady_noise
        )
        self._found_kpa = open_kpa + gap * v[t.GRIP_FOUND_PCT] // 100
        self._lost_kpa = open_kpa + gap * v[t.GRIP_LOST_PCT] // 100
        self._beyond_at = -1

    # What pedals, host and panel ask for

    def is_on(self):
        """True while the tip is on the pump."""
        return self.state == PICKING or self.state == HOLDING

    def is_busy(self):
        """True from the start of a pick until its vent is over."""
        return self.state != IDLE and self.state != STOPPED

    def vacuum(self, on):
        """Start a pick or let go. Asking for what is already so, or anything while stopped, changes nothing."""
        if on:
            if self.state == IDLE or self.state == RELEASING:
                self._pick()
        elif self.is_on():
            self._release()

    def toggle(self):
        """Let go if vacuum is on, else start a pick."""
        self.vacuum(not self.is_on())

    def use_preset(self, number):
        """Use preset `number`, from 1, at its own strength. 0 when done, else the number of the error."""
        v = self.app.values
        if not 1 <= number <= v[t.PRESET_COUNT]:
            return t.E_OUT_OF_RANGE
        v[t.PRESET_ACTIVE] = number
        self.preset = -1
        self.configure()
        return 0

    def step_preset(self, by):
        """Go on by so many presets among those that are counted, round and round."""
        self.use_preset((self.preset - 1 + by) % self.app.values[t.PRESET_COUNT] + 1)

    def use_strength(self, pct):
        """Run at this strength, in tenths of a percent cut to 0 to 1000, until the preset changes."""
        self.strength = min(max(pct, 0), _FULL_PCT)
        if self.is_on():
            self._drive()
        self.app.emit(t.T_PRESET, self.preset, self.strength)

    def learn(self, tip):
        """Take the vacuum of now as the active preset's open or sealed level. 0 when done, else the error's number.

        A sealed level too close to the open one is refused. An open level too close to the stored sealed one is taken
        and the sealed one forgotten: it was another needle's.
        """
        sensor = self.app.sensor
        if not sensor.present:
            return t.E_NOT_THERE
        if not self.is_on():
            return t.E_NOT_LEARNED
        v = self.app.values
        open_slot = self._first + t.PRESETN_OPEN_KPA
        sealed_slot = self._first + t.PRESETN_SEALED_KPA
        kpa = max(sensor.kpa, 1)
        least_gap = max(_NOISE_GAPS * sensor.noise, 1)
        if tip == TIP_SEALED:
            clear = v[open_slot] > 0 and kpa - v[open_slot] >= least_gap
            if clear:
                v[sealed_slot] = kpa
            error = 0 if clear else t.E_NOT_LEARNED
        else:
            clear = v[sealed_slot] == 0 or v[sealed_slot] - kpa >= least_gap
            if not clear:
                v[sealed_slot] = 0
            v[open_slot] = kpa
            error = 0
        self.app.notice(t.F_LEARN_GAP, not clear)
        self.configure()
        return error

    def zero(self):
        """Take the vacuum of now as ambient. 0 when done, else the number of the error."""
        sensor = self.app.sensor
        if not sensor.present:
            return t.E_NOT_THERE
        if self.is_busy():
            return t.E_VACUUM_ON
        if sensor.out_of_range():
            return t.E_CAUSE_REMAINS
        self.app.values[t.SENSOR_ZERO_CODE] = sensor.ambient_code()
        sensor.configure()
        return 0

    # The way through a pick

    def safe(self):
        """End the pick, without a release; stopped while the unit is. The outputs are made safe by their own parts."""
        self.app.sensor.disturb()
        self.grip = GRIP_UNKNOWN
        self._held = False
        state = STOPPED if self.app.stopped else IDLE
        if self.state != state:
            self._to(state)

    def clear(self):
        """The fault was cleared: ready for the next pick."""
        if self.state == STOPPED:
            self._to(IDLE)

    def _to(self, state):
        self.state = state
        self.app.emit(t.T_CYCLE, state, self.board.ticks_us())

    def _pick(self):
        self.app.sensor.disturb()
        self.app.valve.on()
        self.picks += 1
        self._picked_at = self.board.ticks_us()
        self._missed = False
        self._low = False
        self._level_at = self._picked_at
        self._level_bound = True
        self._decide_detection()
        self.grip = GRIP_NONE if self._detects else GRIP_UNKNOWN
        self._drive()
        self._to(PICKING)

    def _release(self):
        self._held = self.state == HOLDING
        self.app.sensor.disturb()
        self.app.valve.off()
        self.app.valve.blow()
        self.app.pump.idle()
        self._to(RELEASING)

    def tick(self, now):
        state = self.state
        if state == PICKING or state == HOLDING:
            if self._detects:
                self._watch(now)
            elif state == PICKING and self.board.ticks_diff(now, self._picked_at) >= self._settle_us:
                self._to(HOLDING)
            if self._target_kpa:
                self._control(now)
        elif state == RELEASING and self.app.valve.vented(now):
            self._vented()

    def _watch(self, now):
        """Find and lose the grip by the vacuum, each time only after it stayed beyond its threshold."""
        kpa = self.app.sensor.kpa
        picking = self.state == PICKING
        if kpa >= self._found_kpa if picking else kpa < self._lost_kpa:
            if self._beyond_at < 0:
                self._beyond_at = now
            if self.board.ticks_diff(now, self._beyond_at) >= self._qualify_us:
                self._beyond_at = -1
                self.app.sensor.disturb()
                if picking:
                    self.grip = GRIP_HELD
                    self._to(HOLDING)
                    self._tell(FOUND, t.KEYS_ON_GRIPPED)
                else:
                    # Vacuum stays on, so the part may be picked up again; that is no miss.
                    self.grip = GRIP_NONE
                    self._missed = True
                    self._to(PICKING)
                    self._tell(LOST, t.KEYS_ON_LOST)
            return
        self._beyond_at = -1
        if picking and not self._missed and self.board.ticks_diff(now, self._picked_at) >= self._miss_us:
            self._missed = True
            self._tell(MISSED, t.KEYS_ON_MISSED)

    def _vented(self):
        self.grip = GRIP_NONE if self._detects else GRIP_UNKNOWN
        self._to(IDLE)
        if self._held:
            self._held = False
            self.released += 1
            self._tell(RELEASED, t.KEYS_ON_RELEASED)

    def _tell(self, what, keys_slot):
        self.app.emit(t.T_GRIP, what)
        self.app.keyboard.strike(self.app.values[keys_slot])

    # The pump's strength

    def _drive(self):
        pct = self.strength
        if self._low and self._low_pct < pct:
            pct = self._low_pct
        self.app.pump.want(duty_u16(pct))

    def _control(self, now):
        """Two-level control: strength up to the target, low above it, each for its shortest time at least."""
        if self._level_bound:
            if self.board.ticks_diff(now, self._level_at) < self._min_us:
                return
            self._level_bound = False
        kpa = self.app.sensor.kpa
        if kpa < self._return_kpa if self._low else kpa >= self._target_kpa:
            self._low = not self._low
            self._level_at = now
            self._level_bound = True
            self._drive()
