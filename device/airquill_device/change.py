"""Changing settings: one at a time or as a batch, checked as a whole, kept all or nothing."""

from airquill_protocol import settings
from airquill_protocol import tables as t
from airquill_protocol import values as v
from airquill_protocol.fault import ProtocolError

from airquill_device import store, stroke


class Keeping:
    """A save under way: `values` to be kept, `kinds` of records still to be written."""

    def __init__(self, values, kinds):
        self.values = values
        self.kinds = kinds
        self.written = 0
        self.kind = -1


def set_fields(app, fields):
    """set PATH=VALUE...: all of them or none. With a batch open they wait for its end."""
    if len(fields) < 2:
        raise ProtocolError(t.E_MISSING_FIELD, "set")
    values = (app.link.shadow or app.values)[:]
    for field in fields[1:]:
        path, equal, text = field.partition("=")
        if not equal:
            raise ProtocolError(t.E_LINE_FORM, field)
        slot = settings.find(path)
        if slot < 0:
            raise ProtocolError(t.E_READ_ONLY if settings.find_reading(path) >= 0 else t.E_UNKNOWN_PATH, path)
        values[slot] = settings.parse(slot, text)
    if app.link.shadow is not None:
        app.link.shadow = values
        return "done"
    check(app, values)
    app.change(values)
    return "done"


def batch(app, fields):
    """batch open | apply [keep] | drop."""
    link = app.link
    what = fields[1] if len(fields) > 1 else ""
    if len(fields) > (3 if what == "apply" else 2):
        raise ProtocolError(t.E_EXTRA_FIELD, fields[-1])
    if what == "open":
        if link.shadow is not None:
            raise ProtocolError(t.E_BATCH_OPEN)
        link.shadow = app.values[:]
        return "done"
    if what not in ("apply", "drop"):
        raise ProtocolError(t.E_UNKNOWN_WORD, what + " (open, apply, drop)")
    if link.shadow is None:
        raise ProtocolError(t.E_NO_BATCH)
    values, link.shadow = link.shadow, None
    if what == "drop":
        return "done"
    if len(fields) == 3 and fields[2] != "keep":
        raise ProtocolError(t.E_UNKNOWN_WORD, fields[2] + " (keep)")
    check(app, values)
    if len(fields) == 3:
        return _keep(app, values)
    app.change(values)
    return "done"


def check(app, values):
    """May these values run? Rules between fields, strokes, and what may change while vacuum is on."""
    busy = app.cycle.is_busy()
    strokes = values[t.KEYS_ALLOW_SYSTEM] != app.values[t.KEYS_ALLOW_SYSTEM]
    strokes = strokes or values[t.KEYS_ALLOW_TEXT] != app.values[t.KEYS_ALLOW_TEXT]
    for slot in range(t.SLOTS):
        changed = values[slot] != app.values[slot]
        if changed and busy and not settings.live(slot):
            raise ProtocolError(t.E_VACUUM_ON, settings.path(slot))
        # Most slots are ints; only a bytes value can be a stroke.
        if (changed or strokes) and isinstance(values[slot], bytes) and settings.kind(slot) == v.STROKE:
            error = stroke.allowed(values[slot], values[t.KEYS_ALLOW_SYSTEM], values[t.KEYS_ALLOW_TEXT])
            if error:
                raise ProtocolError(error, settings.path(slot))
    settings.check_rules(values)


def save(app):
    """save: what runs is kept."""
    if app.link.shadow is not None:
        raise ProtocolError(t.E_BATCH_OPEN)
    return _keep(app, app.values[:])


def _keep(app, values):
    if not app.quiet():
        raise ProtocolError(t.E_VACUUM_ON if app.cycle.is_busy() else t.E_BUSY)
    kinds = []
    for slot in range(t.SLOTS):
        if values[slot] != app.kept[slot]:
            kind = store.UNIT if settings.stays(slot) else store.SETTINGS
            if kind not in kinds:
                kinds.append(kind)
    if app.noticed(t.F_FACTORY_SETTINGS) and store.SETTINGS not in kinds:
        kinds.append(store.SETTINGS)
    app.keeping = Keeping(values, kinds)
    return None


def poll(app):
    """One look at the save under way: None while it works, then the reply, or the error; on an error nothing changed."""
    keeping = app.keeping
    state = app.store.state
    if state == store.WORKING:
        return None
    if keeping.kind >= 0:
        keeping.kind = -1
        if state == store.FAILED:
            app.keeping = None
            app.notice(t.F_FLASH_WRITE, True)
            return ProtocolError(t.E_FLASH_FAILED)
        keeping.written += 1
    if keeping.kinds:
        keeping.kind = keeping.kinds.pop()
        app.store.save_values(keeping.kind, keeping.values)
        return None
    app.keeping = None
    app.kept[:] = keeping.values
    app.notice(t.F_FLASH_WRITE, False)
    app.notice(t.F_FACTORY_SETTINGS, False)
    app.notice(t.F_SETTINGS_DAMAGED, False)
    app.notice(t.F_SETTINGS_NEWER, False)
    if app.values != keeping.values:
        app.change(keeping.values)
    return "done records=%d" % keeping.written


def undo(app):
    """Run the settings of the record before the last save."""
    payload = app.store.previous(store.SETTINGS)
    if payload is None:
        raise ProtocolError(t.E_NOTHING_TO_UNDO)
    values = app.factory_values()
    store.decode_values(payload, values)
    check(app, values)
    app.change(values)
