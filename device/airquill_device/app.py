"""Wiring of the parts and the loop. The loop owns time: every part is ticked, none waits."""

import os

from airquill_device import store
from airquill_device.cycle import Cycle
from airquill_device.keyboard import Keyboard
from airquill_device.life import LOG_BOOT, LOG_PART, LOG_REQUEST, Life, error_code
from airquill_device.link import Link
from airquill_device.panel import Panel
from airquill_device.pedal import Pedal
from airquill_device.pump import Pump
from airquill_device.sensor import Sensor
from airquill_device.store import Store
from airquill_device.valve import Valve
from airquill_protocol import settings
from airquill_protocol import tables as t
from airquill_protocol.compat import const

_PASS_US = const(1000)
_SECOND_US = const(1000000)
_BUSY_US = const(1200)  # what a pass takes on the chip at most, but for one that handles a request
_TIMEOUTS_TO_FACTORY = const(3)
# Memory is collected when so much was spent and the unit is quiet; requests get "busy" when only the reserve is left.
_COLLECT_BYTES = const(30000)
_RESERVE_BYTES = const(24000)
_SUPPLY_LOW = const(1000)  # 10.00 V
_SUPPLY_SECONDS = const(2)
_HANG_US = const(60000000)
_HIGHEST_FAULT = const(64)
_TRIAL_S = const(20)
_SLOTS_AT_ONCE = const(20)


class App:
    """One unit over one board. `values` are the settings that run; `kept` those that a power cut leaves."""

    def __init__(self, board):
        self.board = board
        self.values = settings.default_values()
        self.kept = self.values[:]
        self.stopped = False
        self.fault_number = 0
        self.wants_edges = False
        self.uptime_s = 0
        self.longest_us = 0
        self.dead_man_us = 0
        self.restart_wanted = 0
        self.files = None  # made when an update begins
        self.trial = False  # this version runs for the first time and must be kept by the host
        self._notices = bytearray(_HIGHEST_FAULT)
        self._parts_failed = False
        self._in_parts = False
        self._collecting = True
        self._second_at = 0
        self._duty = -1
        self._turn = 0
        self._spare_bytes = 0
        self._supply_s = 0
        self.addons = None
        self.store = Store(board)
        self.life = Life(self)
        self.pump = Pump(self)
        self.valve = Valve(self)
        self.sensor = Sensor(self)
        self.keyboard = Keyboard(self)
        self.cycle = Cycle(self)
        self.pedals = (Pedal(self, 0), Pedal(self, 1))
        self.panel = Panel(self)
        self.link = Link(self)
        self.emit = self.link.emit
        self.emit_report = self.link.emit_report

    # -- start ---------------------------------------------------------------------------------------------------

    def boot(self):
        """Load what was saved, go to the safe state, say what is to be said."""
        board = self.board
        life = self.store.load(store.LIFE)
        self.life.load(life.payload)
        self.life.log(LOG_BOOT, board.watchdog_timeouts())
        # Written before anything else can happen: a host tells one start from the next by the boot number.
        self.life.save()
        while self.store.state == store.WORKING:
            self.store.tick(0)
        self._load_addons()
        self._load_kept()
        if board.boot_cause() == "watchdog":
            self.notice(t.F_WATCHDOG_RESTART, True)
        if board.watchdog_timeouts() >= _TIMEOUTS_TO_FACTORY:
            self.values[:] = self.factory_values()
            self.notice(t.F_FACTORY_SETTINGS, True)
        self.configure_all()
        self._safe()
        if board.wiring_error:
            self.fault(t.F_WIRING)
        self._second_at = board.ticks_us()
        board.collect()
        self._spare_bytes = board.free_bytes() - _RESERVE_BYTES

    def _load_addons(self):
        """After three watchdog restarts none is started: one of them may be what hung the loop."""
        try:
            files = os.listdir(self.board.extensions)
        except OSError:
            return
        if not files:
            return
        if self.board.watchdog_timeouts() >= _TIMEOUTS_TO_FACTORY:
            self.notice(t.F_ADDON_FAILED, True)
            return
        try:
            from airquill_device.addons import AddOns
        except ImportError:  # an image that was built without add-ons leaves their code out
            self.notice(t.F_ADDON_FAILED, True)
            return

        self.addons = self.store.addons = AddOns(self, files)
        self.values += self.addons.defaults()
        self.kept += self.addons.defaults()

    def _load_kept(self):
        damaged = newer = False
        for kind in (store.SETTINGS, store.UNIT):
            found = self.store.load(kind)
            damaged = damaged or found.damaged
            newer = newer or found.newer
            if found.payload is not None:
                store.decode_values(found.payload, self.values)
                if self.addons is not None and kind == store.SETTINGS:
                    self.addons.decode(found.payload, self.values)
            elif kind == store.SETTINGS:
                self.notice(t.F_FACTORY_SETTINGS, True)
        try:
            settings.check_rules(self.values)
        except Exception:
            # Only a record of another version can break a rule of this one.
            self.values[:] = self.factory_values()
            self.notice(t.F_FACTORY_SETTINGS, True)
        self.kept[:] = self.values
        self.notice(t.F_SETTINGS_DAMAGED, damaged)
        self.notice(t.F_SETTINGS_NEWER, newer)

    def factory_values(self):
        """Factory settings, with what stays with the unit as it is."""
        values = settings.default_values()
        for slot in t.UNIT_SLOTS:
            values[slot] = self.values[slot]
        return values if self.addons is None else values + self.addons.defaults()

    # -- settings ------------------------------------------------------------------------------------------------

    def configure_all(self):
        for part in (
            self.pump,
            self.valve,
            self.sensor,
            self.keyboard,
            self.cycle,
            self.pedals[0],
            self.pedals[1],
            self.panel,
        ):
            part.configure()
        if self.addons is not None:
            self.addons.configure()

    def change(self, values):
        """Run other settings: `values` is a whole list, checked. Then the parts they concern are told, one a step."""
        old = self.values
        told = []
        for start in range(0, t.SLOTS, _SLOTS_AT_ONCE):
            if old[start : start + _SLOTS_AT_ONCE] == values[start : start + _SLOTS_AT_ONCE]:
                continue
            yield None
            for slot in range(start, min(start + _SLOTS_AT_ONCE, t.SLOTS)):
                if old[slot] != values[slot]:
                    part = self._part_of(slot)
                    if part is not None and part not in told:
                        told.append(part)
        if self.addons is not None and old[t.SLOTS :] != values[t.SLOTS :]:
            told.append(self.addons)
        yield None
        old[:] = values
        for part in told:
            part.configure()
            yield None

    def _part_of(self, slot):
        if slot < t.PUMP_PWM_HZ:
            return None
        if slot < t.VALVE_PWM_HZ:
            return self.pump
        if slot < t.PEDALN:
            return self.valve
        if slot < t.KEYS_HOLD_MS:
            return self.pedals[(slot - t.PEDALN) // t.PEDALN_SIZE]
        if slot < t.CYCLE_SETTLE_MS:
            return self.keyboard
        if slot < t.SENSOR_ZERO_CODE:
            return self.cycle
        if slot < t.PANEL_BRIGHTNESS_PCT:
            return self.sensor
        return self.panel if slot < t.SERVICE_FILTER_H else None

    def unsaved(self):
        return self.values != self.kept

    # -- faults --------------------------------------------------------------------------------------------------

    def fault(self, number):
        """Go to the safe state and stay there until cleared. The first fault is the one that is reported."""
        if self.stopped:
            return
        self.stopped = True
        self.fault_number = number
        self._safe()
        self.life.log(number, 1)
        self.life.save_soon()
        self.emit(t.T_FAULT, number, 1)

    def clear(self):
        """Leave the safe state; False when the fault's cause is still there."""
        if not self.stopped:
            return True
        if self._cause_remains():
            return False
        self.emit(t.T_FAULT, self.fault_number, 0)
        self.stopped = False
        self.fault_number = 0
        self._parts_failed = False
        self.cycle.clear()
        return True

    def _cause_remains(self):
        number = self.fault_number
        if number == t.F_WIRING:
            return bool(self.board.wiring_error)
        if number == t.F_SENSOR_RANGE:
            return self.sensor.out_of_range()
        if number == t.F_SUPPLY_LOW:
            return self._supply_is_low()
        return False

    def notice(self, number, on):
        """Something to know that stops nothing."""
        if bool(self._notices[number]) == bool(on):
            return
        self._notices[number] = 1 if on else 0
        if on:
            self.life.log(number, 1)
        self.emit(t.T_FAULT, number, 1 if on else 0)

    def noticed(self, number):
        return bool(self._notices[number])

    def _safe(self):
        self.pump.safe()
        self.valve.safe()
        self.cycle.safe()
        self.pedals[0].safe()
        self.pedals[1].safe()
        self.keyboard.safe()
        if self.addons is not None:
            self.addons.safe()

    def _supply_is_low(self):
        code = self.board.supply_code10mv()
        return 0 <= code < _SUPPLY_LOW

    # -- what parts and link ask ---------------------------------------------------------------------------------

    def quiet(self):
        """Nothing goes on that a slow pass would disturb."""
        return (
            not self.cycle.is_busy()
            and not self.pedals[0].down
            and not self.pedals[1].down
            and not self.keyboard.is_busy()
        )

    # -- the loop ------------------------------------------------------------------------------------------------

    def tick(self):
        """One pass, for whoever keeps the loop."""
        try:
            self._pass()
        except Exception as error:
            self._pass_failed(error)

    def _pass(self):
        board = self.board
        now = board.ticks_us()
        self._in_parts = True
        if not self._parts_failed:
            self._tick_parts(now)
        if self._duty >= 0:
            self._second()
        elif board.ticks_diff(now, self._second_at) >= _SECOND_US:
            self._second_at = board.ticks_add(self._second_at, _SECOND_US)
            self._duty = 0
        self._in_parts = False
        self.link.tick(now)
        if self.store.state == store.WORKING:
            self.store.tick(now)
        if self.dead_man_us and board.ticks_diff(now, self.link.heard_at) > self.dead_man_us:
            self.dead_man_us = 0
            self.fault(t.F_DEAD_MAN)
        board.watchdog_feed()
        took = board.ticks_diff(board.ticks_us(), now)
        if took > self.longest_us:
            self.longest_us = took
        if self.restart_wanted:
            self._restart()

    def _tick_parts(self, now):
        pins = self.board.pedals()
        self.pedals[0].tick(now, pins)
        self.pedals[1].tick(now, pins)
        # Right behind the pedals: nothing else stands between a press and its report.
        self.keyboard.tick(now)
        turn = self._turn = (self._turn + 1) & 15
        if turn & 3 == 0:
            self.sensor.tick(now)
        elif turn == 1:
            self.panel.tick(now)
        elif turn == 9:
            self.panel.paint()
        elif turn == 10:
            self.panel.show()
        elif turn == 2 and self.addons is not None:
            self.addons.tick(now)
        self.cycle.tick(now)
        self.pump.tick(now)

    def _pass_failed(self, error):
        """What was left of the pass is lost. A part that raised is a fault: no part runs until it is cleared."""
        if not self._in_parts:
            if isinstance(error, MemoryError):
                # The estimate was wrong: better one long pass than none.
                self.board.collect()
                return
            raise error
        self._parts_failed = True
        self.life.log(LOG_PART, error_code(error))
        self.fault(t.F_PART_FAILED)

    def request_failed(self, error):
        self.life.log(LOG_REQUEST, error_code(error))

    def _second(self):
        """What is due once a second, one thing a pass: all at once would make one pass long."""
        duty = self._duty
        self._duty += 1
        if duty == 0:
            self.uptime_s += 1
            if self.trial and self.uptime_s >= _TRIAL_S:
                self.restart_wanted = t.A_RESTART
            self.pump.second()
        elif duty == 1:
            self.pedals[0].second()
            self.pedals[1].second()
        elif duty == 2:
            self.sensor.second()
        elif duty == 3:
            self.life.second()
        elif duty == 4:
            self._supply_s = self._supply_s + 1 if self._supply_is_low() else 0
            if self._supply_s >= _SUPPLY_SECONDS:
                self.fault(t.F_SUPPLY_LOW)
        else:
            self._duty = -1
            self._care_for_memory()

    def _care_for_memory(self):
        """Collecting takes tens of milliseconds: only when the unit is quiet. The steady pass allocates nothing.

        What requests and events take is estimated, since asking the heap takes as long as half a collection.
        """
        quiet = self.quiet()
        if quiet != self._collecting:
            self._collecting = quiet
            self.board.collect_by_itself(quiet)
        if quiet and self.link.spent_bytes > _COLLECT_BYTES:
            self._collect()

    def _collect(self):
        self.board.collect()
        self.link.spent_bytes = 0

    def memory_is_low(self):
        """Only the reserve is left, at a moment that allows no long pass: requests get "busy", events are dropped.

        Without vacuum memory is collected at once, also with a pedal down: one that is stuck, wired the wrong way round
        or bouncing must not keep requests at "busy". With vacuum on it is collected where nothing moves: pump and valve
        run by themselves, and a host that watches a long pick would else lose it.
        """
        if self.link.spent_bytes <= self._spare_bytes:
            return False
        if self.cycle.is_busy() and not self._nothing_moves():
            return True
        self._collect()
        return False

    def _nothing_moves(self):
        """Vacuum is on, no pedal is between up and down, and no stroke runs."""
        return (
            self.cycle.is_on() and not self.keyboard.is_busy() and self.pedals[0].due() < 0 and self.pedals[1].due() < 0
        )

    def _restart(self):
        """A restart waits until its reply has left."""
        if not self.link.is_empty():
            return
        if self.restart_wanted == t.A_HANG:
            # Nothing is made safe here: that is what the watchdog is for.
            self.board.sleep_until(self.board.ticks_add(self.board.ticks_us(), _HANG_US))
        self._safe()
        self.keyboard.tick(self.board.ticks_us())
        wanted, self.restart_wanted = self.restart_wanted, 0
        self.board.safe()
        if wanted == t.A_BOOT_VOLUME:
            self.board.boot_volume()
        self.board.restart()

    def run(self):
        """Boot, then loop until the board ends it (a restart, or a prompt asked for by Ctrl-C)."""
        board = self.board
        self.boot()
        due = board.ticks_us()
        while True:
            # Outside the passes: a frame that holds a `try` comes from the heap each time it is entered.
            try:
                while True:
                    self._pass()
                    due = board.ticks_add(due, _PASS_US)
                    if board.ticks_diff(due, board.ticks_us()) < -_PASS_US:
                        due = board.ticks_us()
                    board.sleep_until(self._wake_at(due))
            except Exception as error:
                self._pass_failed(error)

    def _wake_at(self, due):
        """When the next pass begins: at the end of a pedal's agreement, where a pass before it would run into that."""
        end = self.pedals[0].due()
        if end >= 0 and self._is_near(end, due):
            return end
        end = self.pedals[1].due()
        return end if end >= 0 and self._is_near(end, due) else due

    def _is_near(self, end, due):
        board = self.board
        return 0 < board.ticks_diff(end, board.ticks_us()) and board.ticks_diff(end, due) < _BUSY_US
