"""What a unit remembers of its life: hours, starts, and a short log of what went wrong. One record in the store."""

from array import array
from struct import pack, unpack_from

from airquill_device import store
from airquill_protocol import tables as t
from airquill_protocol.compat import const

LOG_ENTRIES = const(24)
_SAVE_EVERY_S = const(1800)  # of pump running
_HEAD = "<HIIIH"
_HEAD_BYTES = const(16)
_ENTRY = "<IHH"
_ENTRY_BYTES = const(8)

# What a log entry is about, beside the faults and notices of the registry.
LOG_BOOT = const(1000)
LOG_PART = const(1001)
LOG_REQUEST = const(1002)
LOG_ADDON = const(1003)  # detail: place of the add-on in the list, times 256, and the kind of exception


class Life:
    """Counters and log. `boots` counts starts; the log is a ring of (uptime in s, what, detail)."""

    def __init__(self, app):
        self.app = app
        self.boots = 0
        self._pump_s = 0
        self._starts = 0
        self._filter_s = 0
        self._taken_s = 0  # of pump.run_s that is in the counters already
        self._taken_starts = 0
        self._unsaved_s = 0
        self._wants_save = False
        self.logged = 0
        self._at = array("i", [0] * LOG_ENTRIES)
        self._what = array("i", [0] * LOG_ENTRIES)
        self._detail = array("i", [0] * LOG_ENTRIES)

    def load(self, payload):
        """Take the record of the last life, or start anew with None."""
        if payload is not None and len(payload) >= _HEAD_BYTES:
            self.boots, self._pump_s, self._starts, self._filter_s, count = unpack_from(_HEAD, payload)
            for n in range(min(count, (len(payload) - _HEAD_BYTES) // _ENTRY_BYTES)):
                at, what, detail = unpack_from(_ENTRY, payload, _HEAD_BYTES + n * _ENTRY_BYTES)
                self._enter(at, what, detail)
        self.boots = (self.boots + 1) & 0xFFFF

    def _payload(self):
        count = min(self.logged, LOG_ENTRIES)
        out = pack(_HEAD, self.boots, self.pump_s(), self.starts(), self.filter_s(), count)
        for n in range(self.logged - count, self.logged):
            i = n % LOG_ENTRIES
            out += pack(_ENTRY, self._at[i], self._what[i], self._detail[i])
        return out

    def pump_s(self):
        return self._pump_s + self.app.pump.run_s - self._taken_s

    def filter_s(self):
        return self._filter_s + self.app.pump.run_s - self._taken_s

    def starts(self):
        return self._starts + self.app.pump.starts - self._taken_starts

    def _take(self):
        run_s = self.app.pump.run_s
        self._pump_s += run_s - self._taken_s
        self._filter_s += run_s - self._taken_s
        self._unsaved_s += run_s - self._taken_s
        self._taken_s = run_s
        self._starts += self.app.pump.starts - self._taken_starts
        self._taken_starts = self.app.pump.starts

    def filter_changed(self):
        self._take()
        self._filter_s = 0
        self._wants_save = True

    def pump_changed(self):
        self._take()
        self._pump_s = self._starts = 0
        self._wants_save = True

    def log(self, what, detail=0):
        self._enter(self.app.uptime_s, what, detail)

    def _enter(self, at, what, detail):
        i = self.logged % LOG_ENTRIES
        self._at[i], self._what[i], self._detail[i] = at, what, detail
        self.logged += 1

    def oldest(self):
        """Number of the oldest log entry that is still there."""
        return max(0, self.logged - LOG_ENTRIES)

    def entry(self, number):
        """(uptime in s, what, detail) of a log entry, or None when it is not there any more or not yet."""
        if not self.oldest() <= number < self.logged:
            return None
        i = number % LOG_ENTRIES
        return self._at[i], self._what[i], self._detail[i]

    def save_soon(self):
        """Write the record at the next quiet moment, for what must not be lost."""
        self._wants_save = True

    def second(self):
        """Count; say when filter or pump are due; write when it is time and the unit is quiet."""
        app = self.app
        self._take()
        due = app.values[t.SERVICE_FILTER_H]
        app.notice(t.F_FILTER_DUE, due > 0 and self._filter_s // 3600 >= due)
        due = app.values[t.SERVICE_PUMP_H]
        app.notice(t.F_PUMP_DUE, due > 0 and self._pump_s // 3600 >= due)
        if (self._wants_save or self._unsaved_s >= _SAVE_EVERY_S) and app.quiet() and app.store.state != store.WORKING:
            self.save()

    def save(self):
        """Begin to write the record; the store does the rest, a step a pass."""
        self._wants_save = False
        self._unsaved_s = 0
        self.app.store.save_bytes(store.LIFE, self._payload())


KINDS = (MemoryError, OSError, ValueError, TypeError, IndexError, KeyError, AttributeError)


def error_code(error):
    """A number for the log: which kind of exception it was, 0 for one of none of them."""
    for n in range(len(KINDS)):
        if isinstance(error, KINDS[n]):
            return n + 1
    return 0
