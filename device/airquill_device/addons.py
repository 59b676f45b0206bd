"""Add-ons: modules in the extensions folder that bring settings, readings, actions and a tick under `x.<name>.`.

Imported only where there is one. docs/addons.md says what one holds. One that fails is switched off, with a notice and
a log entry that names it; the unit goes on.

The values of their settings follow the registry's in every list of values, from slot t.SLOTS on. In the record of
settings each is an entry of its own kind with path and text, which a firmware without the add-on passes over.
"""

import sys

from airquill_device import readings
from airquill_device.life import LOG_ADDON, error_code
from airquill_protocol import settings
from airquill_protocol import tables as t
from airquill_protocol import values as v
from airquill_protocol.compat import const
from airquill_protocol.fault import ProtocolError

_RECORD_ID = const(255)
_LETTERS = "abcdefghijklmnopqrstuvwxyz0123456789_"
_KINDS = ("int", "dec1", "dec2", "word", "flag", "text")
_LONGEST_US = const(100000)
_TEXT_BYTES = const(32)  # four times as long on the line
_WORDS_BYTES = const(80)
_DESCRIBED = const(205)  # room of a description

_PATH = const(0)
_KIND = const(1)
_WORDS = const(2)
_LOW = const(3)
_HIGH = const(4)
_UNIT = const(5)
_DEFAULT = const(6)
_HELP = const(7)
_NUMBER = const(8)
_NAME = const(9)


class Api:
    """The unit, as an add-on gets it. What it refuses raises ValueError."""

    def __init__(self, app, addons, name):
        self._app = app
        self._addons = addons
        self._name = name
        self.outputs = []

    def setting(self, name):
        """Value of one of the add-on's own settings: a whole number (dec1 in tenths), or bytes for a text."""
        slot = self._addons.slot("x.%s.%s" % (self._name, name))
        if slot < 0:
            raise ValueError(name)
        return self._app.values[slot]

    def reading(self, path):
        """What to give to read() for a reading of the unit."""
        index = settings.find_reading(path)
        if index < 0:
            raise ValueError(path)
        return index

    def read(self, index):
        """A reading of the unit, as a whole number: dec1 in tenths, a word by its place, a flag 0 or 1."""
        return readings.read(self._app, index)

    def output(self, name):
        """A pin that the wiring file gives to this add-on, low now, for drive()."""
        gpio = self._pin(name)
        self.outputs.append(gpio)
        self._app.board.addon_output(gpio, 0)
        return gpio

    def drive(self, gpio, duty_u16):
        """Drive an output, 0 to 65535. While a fault stops the unit it stays off."""
        if gpio not in self.outputs:
            raise ValueError(gpio)
        if not self._app.stopped:
            self._app.board.addon_output(gpio, duty_u16)

    def input(self, name):
        """A pin that the wiring file gives to this add-on, pulled up, for is_high()."""
        gpio = self._pin(name)
        self._app.board.addon_input(gpio)
        return gpio

    def is_high(self, gpio):
        return bool(self._app.board.addon_level(gpio))

    def off(self):
        for gpio in self.outputs:
            self._app.board.addon_output(gpio, 0)

    def _pin(self, name):
        gpio = self._app.board.addon_pin(self._name, name)
        if gpio < 0:
            raise ValueError(name)
        return gpio


class AddOns:
    """All add-ons of a unit. One is made at the first configure(), when the saved settings are there."""

    def __init__(self, app, files):
        self._app = app
        names = self.names = _names(files)
        self._settings = []
        self._readings = []
        self._actions = []
        self._waiting = [None] * len(names)  # classes that are to be made
        self._made = [None] * len(names)
        self._apis = [None] * len(names)
        self._ticks = [None] * len(names)
        self._takes = [0] * len(names)  # bytes of heap, each tick
        self._measures = False
        for number in range(len(names)):
            row = ("x.%s.runs" % names[number], v.FLAG, "", 0, 1, "", 0, "The add-on runs; off, it failed.", number, "")
            self._readings.append(row)
            try:
                self._load(number)
            except Exception as error:
                self._failed(number, error)

    def _load(self, number):
        name = self.names[number]
        if name in sys.modules:
            raise ValueError(name)  # another module has this name
        folder = self._app.board.extensions
        sys.path.insert(0, folder)
        try:
            made = __import__(name).AddOn
        finally:
            sys.path.remove(folder)
            sys.modules.pop(name, None)
        rows = (
            [_setting(number, name, row) for row in getattr(made, "SETTINGS", ())],
            [_reading(number, name, row) for row in getattr(made, "READINGS", ())],
            [_action(number, name, row) for row in getattr(made, "ACTIONS", ())],
        )
        self._settings += rows[0]
        self._readings += rows[1]
        self._actions += rows[2]
        self._waiting[number] = made

    # -- running -------------------------------------------------------------------------------------------------

    def configure(self):
        """Make what was not made yet; let all take their settings."""
        for number in range(len(self.names)):
            try:
                made = self._waiting[number]
                if made is not None:
                    self._waiting[number] = None
                    api = self._apis[number] = Api(self._app, self, self.names[number])
                    made = self._made[number] = made(api)
                    self._ticks[number] = getattr(made, "tick", None)
                made = self._made[number]
                if made is not None and hasattr(made, "configure"):
                    made.configure()
            except (Exception, SystemExit) as error:
                self._failed(number, error)
        self._measures = True

    def tick(self, now):
        """Tick the add-ons, none while the unit is stopped. The loop calls this each sixteenth pass."""
        app = self._app
        if app.stopped:
            return
        quiet = app.quiet()
        measures = self._measures and quiet
        board = app.board
        for number in range(len(self.names)):
            tick = self._ticks[number]
            if tick is None:
                continue
            free = board.free_bytes() if measures else 0
            began = board.ticks_us()
            try:
                if self._takes[number] and app.memory_is_low() and not quiet:
                    raise MemoryError
                tick(now)
                if board.ticks_diff(board.ticks_us(), began) > _LONGEST_US:
                    raise ValueError
            except (Exception, SystemExit) as error:
                self._failed(number, error)
            if measures:
                self._takes[number] = max(0, free - board.free_bytes())
            # While vacuum is on nothing is collected, so what a tick takes counts as what requests take.
            if self._takes[number]:
                app.link.spent_bytes += self._takes[number]
        if measures:
            self._measures = False

    def safe(self):
        for api in self._apis:
            if api is not None:
                api.off()

    def _failed(self, number, error):
        """Switch an add-on off. Its settings stay, so that they are not lost before it is mended."""
        self._waiting[number] = self._made[number] = self._ticks[number] = None
        self._takes[number] = 0
        if self._apis[number] is not None:
            self._apis[number].off()
        life = self._app.life
        life.log(LOG_ADDON, number << 8 | error_code(error))
        life.save_soon()
        self._app.notice(t.F_ADDON_FAILED, True)

    # -- settings ------------------------------------------------------------------------------------------------

    def defaults(self):
        return [row[_DEFAULT] for row in self._settings]

    def slot(self, path):
        """Slot of a setting, or -1."""
        index = _find(self._settings, path)
        return t.SLOTS + index if index >= 0 else -1

    def parse(self, slot, text):
        row = self._settings[slot - t.SLOTS]
        return v.parse(row[_KIND], row[_WORDS], row[_LOW], row[_HIGH], text, row[_PATH])

    def encode(self, values):
        """Entries of the record of settings."""
        out = []
        for index in range(len(self._settings)):
            row = self._settings[index]
            text = "%s=%s" % (row[_PATH], v.render(row[_KIND], row[_WORDS], values[t.SLOTS + index]))
            out.append(bytes((_RECORD_ID, 0, len(text))) + text.encode())
        return out

    def decode(self, payload, values):
        """Put a record's entries into `values`; what is not known or does not fit stays as it was."""
        at = 0
        while at + 3 <= len(payload):
            size = payload[at + 2]
            if payload[at] == _RECORD_ID:
                path, _, text = payload[at + 3 : at + 3 + size].decode().partition("=")
                slot = self.slot(path)
                if slot >= 0:
                    try:
                        values[slot] = self.parse(slot, text)
                    except ProtocolError:
                        pass
            at += 3 + size

    # -- what the link asks --------------------------------------------------------------------------------------

    def find_reading(self, path):
        """Index of a reading behind the registry's, or -1."""
        index = _find(self._readings, path)
        return t.READINGS + index if index >= 0 else -1

    def setting_text(self, slot, value):
        """(path, text) of a setting's value."""
        row = self._settings[slot - t.SLOTS]
        return row[_PATH], v.render(row[_KIND], row[_WORDS], value)

    def reading_text(self, index):
        """(path, text) of a reading; `-` when its add-on is switched off."""
        row = self._readings[index - t.READINGS]
        made = self._made[row[_NUMBER]]
        if not row[_NAME]:
            return row[_PATH], "off" if made is None else "on"
        if made is None:
            return row[_PATH], "-"
        try:
            value = getattr(made, row[_NAME])
            return row[_PATH], v.render(row[_KIND], row[_WORDS], value if row[_KIND] < v.TEXT else value[:_TEXT_BYTES])
        except Exception as error:
            self._failed(row[_NUMBER], error)
            return row[_PATH], "-"

    def readings(self):
        """How many readings there are with the registry's."""
        return t.READINGS + len(self._readings)

    def actions(self):
        return len(t.ACTIONS) + len(self._actions)

    def describe(self, what, number):
        """The reply to `describe` for what stands behind the registry's, or None when there is no such number."""
        number -= {"settings": t.SLOTS, "readings": t.READINGS, "actions": len(t.ACTIONS)}.get(what, 0)
        if number < 0:
            return None
        if what == "settings" and number < len(self._settings):
            row = self._settings[number]
            kind = row[_KIND]
            digits = kind if kind <= v.DEC2 else 0
            text = 'done path=%s id=0 type=%s lowest=%s highest=%s unit="%s" words=%s default=%s' % (
                row[_PATH],
                _KINDS[kind],
                v.format_number(row[_LOW], digits),
                v.format_number(row[_HIGH], digits),
                row[_UNIT],
                row[_WORDS].replace(" ", ",") or "-",
                v.render(kind, row[_WORDS], row[_DEFAULT]),
            )
            return _with_help(text + " live=yes keep=profile since=0", row[_HELP])
        if what == "readings" and number < len(self._readings):
            row = self._readings[number]
            text = 'done path=%s type=%s unit="%s" words=%s needs=-' % (
                row[_PATH],
                _KINDS[row[_KIND]],
                row[_UNIT],
                row[_WORDS].replace(" ", ",") or "-",
            )
            return _with_help(text, row[_HELP])
        if what == "actions" and number < len(self._actions):
            path, arguments, help_text, _, _ = self._actions[number]
            text = "done name=%s needs=-" % path
            for argument in arguments:
                text += " %s=%s" % (argument[0], argument[2].replace(" ", ",") or _KINDS[argument[1]])
            return _with_help(text, help_text)
        if what == "addons" and number < len(self.names):
            return "done name=%s runs=%s" % (self.names[number], "off" if self._made[number] is None else "on")
        return None

    def do(self, fields):
        """do x.NAME.ACTION ARGUMENT..."""
        for path, arguments, _, number, name in self._actions:
            if path == fields[1]:
                break
        else:
            raise ProtocolError(t.E_UNKNOWN_ACTION, fields[1])
        if len(fields) - 2 < len(arguments):
            raise ProtocolError(t.E_MISSING_FIELD, arguments[len(fields) - 2][0])
        if len(fields) - 2 > len(arguments):
            raise ProtocolError(t.E_EXTRA_FIELD, fields[-1])
        values = []
        for n in range(len(arguments)):
            what, kind, words, low, high = arguments[n]
            values.append(v.parse(kind, words, low, high, fields[n + 2], what))
        if self._made[number] is None:
            raise ProtocolError(t.E_NOT_THERE, "x." + self.names[number])
        try:
            getattr(self._made[number], name)(*values)
        except (Exception, SystemExit) as error:
            self._failed(number, error)
            raise ProtocolError(t.E_INTERNAL, "x." + self.names[number])
        return "done"


def _names(files):
    """The add-ons among the files of a folder, in ascending order. A name that is no module's is passed over."""
    names = []
    for file in sorted(files):
        name, _, ending = file.partition(".")
        if ending in ("py", "mpy") and _is_name(name) and name not in names:
            names.append(name)
    return names


def _is_name(text):
    if not 0 < len(text) <= 20 or not text[0].isalpha():
        return False
    for letter in text:
        if letter not in _LETTERS:
            return False
    return True


def _find(rows, path):
    for index in range(len(rows)):
        if rows[index][_PATH] == path:
            return index
    return -1


def _with_help(text, help_text):
    """A description with as much of the help as fits."""
    room = _DESCRIBED - len(text)
    return text + " help=" + v.quote(help_text[:room].encode()) if room > 0 else text


def _type(text):
    """`int`, `word red green` and so on: number of the kind, and the words."""
    kind, _, words = text.partition(" ")
    if len(words) > _WORDS_BYTES:
        raise ValueError(text)
    return _KINDS.index(kind), words


def _named(owner, name):
    if not _is_name(name) or name == "runs":
        raise ValueError(name)
    return "x.%s.%s" % (owner, name)


def _setting(number, owner, row):
    name, text, low, high, unit, default, help_text = row
    kind, words = _type(text)
    path = _named(owner, name)
    if kind == v.TEXT and high > _TEXT_BYTES:
        raise ValueError(high)
    # A default that does not fit its own range is told at once.
    v.parse(kind, words, low, high, v.render(kind, words, default), path)
    return path, kind, words, low, high, unit, default, help_text, number, name


def _reading(number, owner, row):
    name, text, unit, help_text = row
    kind, words = _type(text)
    return _named(owner, name), kind, words, 0, 0, unit, 0, help_text, number, name


def _action(number, owner, row):
    name, arguments, help_text = row
    out = []
    for what, text, low, high in arguments:
        kind, words = _type(text)
        out.append((what, kind, words, low, high))
    return _named(owner, name), out, help_text, number, name
