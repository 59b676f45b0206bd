"""What each action of the registry does: `do NAME [ARGUMENT...]`."""

from airquill_device import change, stroke
from airquill_protocol import tables as t
from airquill_protocol import values as v
from airquill_protocol.fault import ProtocolError


def run(app, fields):
    if len(fields) < 2:
        raise ProtocolError(t.E_MISSING_FIELD, "do")
    if app.addons is not None and fields[1][:2] == "x.":
        return app.addons.do(fields)
    identity = v.action_id(t.ACTIONS, fields[1])
    _, needs, wanted = t.ACTIONS[identity]
    if needs and needs not in app.board.capabilities():
        raise ProtocolError(t.E_NOT_THERE, needs)
    args = v.arguments(wanted, fields[2:])
    if identity == t.A_UNDO:
        return change.undo(app)
    if identity == t.A_FACTORY:
        _idle(app)
        return change.factory(app)
    return "done" + (_do(app, identity, args) or "")


def _idle(app):
    if app.cycle.is_busy():
        raise ProtocolError(t.E_VACUUM_ON)


def _do(app, identity, args):
    """Do it; what it has to say beyond `done`, or None."""
    if identity == t.A_PICK:
        if app.stopped:
            raise ProtocolError(t.E_UNIT_STOPPED, t.FAULTS[app.fault_number][0])
        app.cycle.vacuum(True)
    elif identity == t.A_RELEASE:
        app.cycle.vacuum(False)
    elif identity == t.A_STOP:
        app.fault(t.F_STOPPED_BY_HOST)
    elif identity == t.A_CLEAR:
        if not app.clear():
            raise ProtocolError(t.E_CAUSE_REMAINS, t.FAULTS[app.fault_number][0])
    elif identity == t.A_PRESET:
        error = app.cycle.use_preset(args[0])
        if error:
            raise ProtocolError(error, "preset %d (1 to %d)" % (args[0], app.values[t.PRESET_COUNT]))
    elif identity == t.A_STRENGTH:
        app.cycle.use_strength(args[0])
    elif identity == t.A_LEARN:
        return _learn(app, args[0])
    elif identity == t.A_ZERO:
        error = app.cycle.zero()
        if error:
            raise ProtocolError(error)
        return " code=%d" % app.values[t.SENSOR_ZERO_CODE]
    elif identity == t.A_STRIKE:
        error = stroke.allowed(args[0], app.values[t.KEYS_ALLOW_SYSTEM], app.values[t.KEYS_ALLOW_TEXT])
        if error:
            raise ProtocolError(error, "keys")
        if app.stopped:
            raise ProtocolError(t.E_UNIT_STOPPED, t.FAULTS[app.fault_number][0])
        app.keyboard.strike(args[0])
    else:
        return _service(app, identity, args)
    return None


def _learn(app, tip):
    error = app.cycle.learn(tip)
    if error:
        raise ProtocolError(error)
    first = t.PRESETN + (app.values[t.PRESET_ACTIVE] - 1) * t.PRESETN_SIZE
    return " open_kpa=%s sealed_kpa=%s" % (
        v.format_number(app.values[first + t.PRESETN_OPEN_KPA], 2),
        v.format_number(app.values[first + t.PRESETN_SEALED_KPA], 2),
    )


def _service(app, identity, args):
    if identity == t.A_PULSE:
        _idle(app)
        if app.stopped:
            raise ProtocolError(t.E_UNIT_STOPPED, t.FAULTS[app.fault_number][0])
        app.board.pulse(args[0], args[1] * 1000)
    elif identity == t.A_DEAD_MAN:
        app.dead_man_us = args[0] * 1000
    elif identity == t.A_FILTER_CHANGED:
        app.life.filter_changed()
    elif identity == t.A_PUMP_CHANGED:
        app.life.pump_changed()
    elif identity == t.A_LOG:
        return _log(app, args[0])
    elif identity == t.A_HANG:
        app.restart_wanted = identity
    elif identity == t.A_BOOT_VOLUME and "boot_volume" not in app.board.capabilities():
        raise ProtocolError(t.E_NOT_THERE, "boot_volume")
    else:
        _idle(app)
        app.restart_wanted = identity
    return None


def _log(app, number):
    """One entry from `number` on: its number, uptime, what and detail; next=0 when there is none."""
    number = max(number, app.life.oldest())
    entry = app.life.entry(number)
    if entry is None:
        return " next=0"
    return " next=%d number=%d at_s=%d what=%d detail=%d" % ((number + 1, number) + entry)
