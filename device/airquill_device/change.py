"""Changing settings: one at a time or as a batch, checked as a whole, kept all or nothing.

What takes long is a generator that gives None after each step; see link.py.
"""

from airquill_device import readings, store, stroke
from airquill_protocol import settings
from airquill_protocol import tables as t
from airquill_protocol import values as v
from airquill_protocol.compat import const
from airquill_protocol.fault import ProtocolError

_SLOTS_A_STEP = const(28)


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
        if slot >= 0:
            values[slot] = settings.parse(slot, text)
        else:
            slot = app.addons.slot(path) if app.addons is not None else -1
            if slot < 0:
                raise ProtocolError(t.E_READ_ONLY if readings.find(app, path) >= 0 else t.E_UNKNOWN_PATH, path)
            values[slot] = app.addons.parse(slot, text)
        yield None
    if app.link.shadow is not None:
        app.link.shadow = values
    else:
        yield from check(app, values)
        yield from app.change(values)
    yield "done"


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
    return _apply(app, values, len(fields) == 3)


def _apply(app, values, keep):
    yield from check(app, values)
    if keep:
        yield from _keep(app, values)
    else:
        yield from app.change(values)
    yield "done"


def check(app, values):
    """May these values run? Rules between fields, strokes, and what may change while vacuum is on. In steps."""
    strokes = values[t.KEYS_ALLOW_SYSTEM] != app.values[t.KEYS_ALLOW_SYSTEM]
    strokes = strokes or values[t.KEYS_ALLOW_TEXT] != app.values[t.KEYS_ALLOW_TEXT]
    running = app.values
    for slot in range(t.SLOTS):
        if slot % _SLOTS_A_STEP == 0:
            yield None
        value = values[slot]
        if value != running[slot]:
            if app.cycle.is_busy() and not settings.live(slot):
                raise ProtocolError(t.E_VACUUM_ON, settings.path(slot))
        elif not strokes:
            continue
        # Most slots are ints; only a bytes value can be a stroke.
        if isinstance(value, bytes) and settings.kind(slot) == v.STROKE:
            error = stroke.allowed(value, values[t.KEYS_ALLOW_SYSTEM], values[t.KEYS_ALLOW_TEXT])
            if error:
                raise ProtocolError(error, settings.path(slot))
    yield None
    settings.check_rules(values)


def save(app):
    """save: what runs is kept."""
    if app.link.shadow is not None:
        raise ProtocolError(t.E_BATCH_OPEN)
    yield from _keep(app, app.values[:])
    yield "done"


def _keep(app, values):
    """Write the records that differ, then run what was written. On an error nothing has changed. In steps."""
    if not app.quiet():
        raise ProtocolError(t.E_VACUUM_ON if app.cycle.is_busy() else t.E_BUSY)
    factory = app.noticed(t.F_FACTORY_SETTINGS)
    kinds = [store.SETTINGS] if factory or values[t.SLOTS :] != app.kept[t.SLOTS :] else []
    for start in range(0, t.SLOTS, _SLOTS_A_STEP):
        yield None
        if values[start : start + _SLOTS_A_STEP] == app.kept[start : start + _SLOTS_A_STEP]:
            continue
        for slot in range(start, min(start + _SLOTS_A_STEP, t.SLOTS)):
            if values[slot] != app.kept[slot]:
                kind = store.UNIT if settings.stays(slot) else store.SETTINGS
                if kind not in kinds:
                    kinds.append(kind)
    for kind in kinds:
        # The life record may be on its way.
        while app.store.state == store.WORKING:
            yield None
        app.store.save_values(kind, values)
        while app.store.state == store.WORKING:
            yield None
        if app.store.state == store.FAILED:
            app.notice(t.F_FLASH_WRITE, True)
            raise ProtocolError(t.E_FLASH_FAILED)
    app.kept[:] = values
    app.notice(t.F_FLASH_WRITE, False)
    app.notice(t.F_FACTORY_SETTINGS, False)
    app.notice(t.F_SETTINGS_DAMAGED, False)
    app.notice(t.F_SETTINGS_NEWER, False)
    yield from app.change(values)


def undo(app):
    """Run the settings of the record before the last save. In steps."""
    payload = app.store.previous(store.SETTINGS)
    if payload is None:
        raise ProtocolError(t.E_NOTHING_TO_UNDO)
    values = app.factory_values()
    yield None
    yield from store.decode_steps(payload, values)
    if app.addons is not None:
        app.addons.decode(payload, values)
    yield from check(app, values)
    yield from app.change(values)
    yield "done"


def factory(app):
    """Run factory settings. In steps."""
    values = app.factory_values()
    yield from app.change(values)
    yield "done"
