"""What each verb of the protocol does. A verb gets its fields and returns the text of its reply, or a generator that
gives None after each step and that text at the end; it raises ProtocolError. docs/protocol.md has the forms."""

from airquill_device import actions, change, readings
from airquill_device.version import FIRMWARE
from airquill_protocol import settings
from airquill_protocol import tables as t
from airquill_protocol import values as v
from airquill_protocol.compat import const
from airquill_protocol.fault import ProtocolError
from airquill_protocol.frame import BODY_BYTES

_ROOM = const(210)  # of a reply's text, beside its id
_KINDS = ("int", "dec1", "dec2", "word", "flag", "text", "stroke")
_FASTEST_STREAM_MS = const(10)
_SLOWEST_STREAM_MS = const(60000)


def run(app, fields, framed):
    verb = fields[0]
    if verb == "get":
        return _get(app, fields)
    if verb == "set":
        return change.set_fields(app, fields)
    if verb == "do":
        return actions.run(app, fields)
    if verb == "list":
        return _list(app, fields)
    if verb == "save":
        _exactly(fields, 1)
        return change.save(app)
    if verb == "batch":
        return change.batch(app, fields)
    if verb == "stream":
        return _stream(app, fields)
    if verb == "listen":
        return _listen(app, fields)
    if verb == "describe":
        return _describe(app, fields)
    if verb == "hello":
        return _hello(app, fields, framed)
    if verb == "files":
        return _files(app, fields)
    raise ProtocolError(t.E_UNKNOWN_VERB, verb)


def _exactly(fields, count):
    if len(fields) < count:
        raise ProtocolError(t.E_MISSING_FIELD, fields[0])
    if len(fields) > count:
        raise ProtocolError(t.E_EXTRA_FIELD, fields[count])


def _files(app, fields):
    """files ...: another version of the firmware; see files.py."""
    if app.files is None:
        if not app.board.has_disk:
            raise ProtocolError(t.E_NOT_THERE, "disk")
        if not app.quiet():
            raise ProtocolError(t.E_VACUUM_ON if app.cycle.is_busy() else t.E_BUSY)
        from airquill_device.files import Files

        app.files = Files(app)
    return app.files.run(fields)


def _hello(app, fields, framed):
    """hello [SESSION]: what this unit is. Its form never changes; later versions only add fields at the end."""
    if len(fields) > 2:
        raise ProtocolError(t.E_EXTRA_FIELD, fields[2])
    session = v.parse_number(fields[1], 0, "session") if len(fields) == 2 else 0
    app.link.greeted(framed)
    board = app.board
    return (
        "done protocol=%d session=%d firmware=%s build=%s registry=%d hash=%s"
        " board=%s chip=%s boots=%d cause=%s caps=%s"
        % (
            t.PROTOCOL,
            session,
            FIRMWARE,
            board.build,
            t.REGISTRY,
            t.REGISTRY_HASH,
            board.name,
            board.unique_id(),
            app.life.boots,
            board.boot_cause(),
            ",".join(board.capabilities()) or "none",
        )
        + ("" if app.addons is None else " addons=%d" % len(app.addons.names))
    )


def _value_text(app, path):
    slot = settings.find(path)
    if slot < 0 and app.addons is not None:
        slot = app.addons.slot(path)
    if slot >= 0:
        return _setting(app, slot)[1]
    return reading_text(app, _find_reading(app, path))


def _find_reading(app, path):
    index = readings.find(app, path)
    if index < 0:
        raise ProtocolError(t.E_UNKNOWN_PATH, path)
    return index


def _setting(app, slot):
    """(path, text) of a setting; those behind the registry's are the add-ons'."""
    if slot >= t.SLOTS:
        return app.addons.setting_text(slot, app.values[slot])
    return settings.path(slot), settings.render(slot, app.values[slot])


def _reading(app, index):
    """(path, text) of a reading."""
    if index >= t.READINGS:
        return app.addons.reading_text(index)
    return settings.reading_path(index), reading_text(app, index)


def reading_text(app, index):
    if index >= t.READINGS:
        return app.addons.reading_text(index)[1]
    needs = settings.reading_needs(index)
    if needs and needs not in app.board.capabilities():
        return "-"
    return settings.render_reading(index, readings.read(app, index))


def _get(app, fields):
    """get PATH...: values of settings and readings. A reading that this unit has no part for is `-`."""
    if len(fields) < 2:
        raise ProtocolError(t.E_MISSING_FIELD, "get")
    return _get_each(app, fields[1:])


def _get_each(app, paths):
    text = "done"
    for path in paths:
        text += " %s=%s" % (path, _value_text(app, path))
        if len(text) > _ROOM:
            raise ProtocolError(t.E_REPLY_TOO_LONG, path)
        yield None
    yield text


def _list(app, fields):
    """list settings|readings FROM: as many as fit, and where to go on (next=0: that was all)."""
    _exactly(fields, 3)
    at = v.parse_number(fields[2], 0, "from")
    if fields[1] == "settings":
        count, text_of = len(app.values), _setting
    elif fields[1] == "readings":
        count, text_of = _readings(app), _reading
    else:
        raise ProtocolError(t.E_UNKNOWN_WORD, fields[1] + " (settings, readings)")
    if not 0 <= at < count:
        raise ProtocolError(t.E_OUT_OF_RANGE, "from=%d (0 to %d)" % (at, count - 1))
    return _list_from(app, at, count, text_of)


def _readings(app):
    return t.READINGS if app.addons is None else app.addons.readings()


def _list_from(app, at, count, text_of):
    text = ""
    while at < count:
        piece = " %s=%s" % text_of(app, at)
        if len(text) + len(piece) > _ROOM - 14:
            break
        text += piece
        at += 1
        yield None
    yield "done next=%d%s" % (at % count, text)


def _describe(app, fields):
    """describe [settings|readings|actions N]: what there is, so that a host can carry what it does not know."""
    if len(fields) == 1:
        return (
            "done settings=%d readings=%d actions=%d verbs=hello,get,set,save,batch,list,describe,do,listen,stream"
            % (
                len(app.values),
                _readings(app),
                len(t.ACTIONS) if app.addons is None else app.addons.actions(),
            )
        )
    _exactly(fields, 3)
    what = fields[1]
    number = v.parse_number(fields[2], 0, what)
    if what == "settings" and 0 <= number < t.SLOTS:
        return _describe_setting(number)
    if what == "readings" and 0 <= number < t.READINGS:
        return 'done path=%s type=%s unit="%s" words=%s needs=%s' % (
            settings.reading_path(number),
            _KINDS[settings.reading_kind(number)],
            settings.reading_unit(number),
            settings.reading_words(number).replace(" ", ",") or "-",
            settings.reading_needs(number) or "-",
        )
    if what == "actions" and 0 <= number < len(t.ACTIONS):
        return _describe_action(sorted(t.ACTIONS)[number])
    text = None if app.addons is None else app.addons.describe(what, number)
    if text:
        return text
    raise ProtocolError(t.E_OUT_OF_RANGE, "%s %s (settings, readings or actions, from 0)" % (what, fields[2]))


def _describe_setting(slot):
    kind = settings.kind(slot)
    lo, hi = settings.limits(slot)
    digits = kind if kind <= v.DEC2 else 0
    text = "done path=%s id=%d type=%s" % (settings.path(slot), settings.row_id(slot), _KINDS[kind])
    yield None
    text += " lowest=%s highest=%s" % (v.format_number(lo, digits), v.format_number(hi, digits))
    yield None
    text += ' unit="%s" words=%s' % (settings.unit(slot), settings.words(slot).replace(" ", ",") or "-")
    yield None
    yield text + " default=%s live=%s keep=%s since=%d" % (
        settings.render(slot, settings.default(slot)),
        "yes" if settings.live(slot) else "no",
        "unit" if settings.stays(slot) else "profile",
        settings.since(slot),
    )


def _describe_action(identity):
    name, needs, arguments = t.ACTIONS[identity]
    text = "done name=%s needs=%s" % (name, needs or "-")
    for argument in arguments:
        text += " %s=%s" % (argument[0], argument[4].replace(" ", ",") or _KINDS[argument[1]])
    return text


def _listen(app, fields):
    """listen TOPIC...: these events and no others; `listen none` for no events."""
    if len(fields) < 2:
        raise ProtocolError(t.E_MISSING_FIELD, "listen")
    mask = app.link.listening & 1 << t.T_READING
    if fields[1:] != ["none"]:
        for topic in fields[1:]:
            mask |= 1 << _topic(topic)
    app.link.listen(mask)
    return "done"


def _topic(name):
    for number in t.EVENTS:
        if t.EVENTS[number][0] == name and number != t.T_READING:
            return number
    raise ProtocolError(t.E_UNKNOWN_TOPIC, name)


def _stream(app, fields):
    """stream MS PATH...: these readings every so many ms as `reading` events; `stream 0` ends it."""
    if len(fields) < 2:
        raise ProtocolError(t.E_MISSING_FIELD, "stream")
    link = app.link
    ms = v.parse(v.INT, "", 0, _SLOWEST_STREAM_MS, fields[1], "ms")
    if ms == 0:
        _exactly(fields, 2)
        link.stream_us = 0
        link.listen(link.listening & ~(1 << t.T_READING))
        return "done"
    if ms < _FASTEST_STREAM_MS:
        raise ProtocolError(t.E_OUT_OF_RANGE, "ms=%d (0, or %d to %d)" % (ms, _FASTEST_STREAM_MS, _SLOWEST_STREAM_MS))
    if len(fields) < 3:
        raise ProtocolError(t.E_MISSING_FIELD, "stream")
    return _stream_paths(app, ms, fields[2:])


def _stream_paths(app, ms, paths):
    link = app.link
    streamed = []
    room = BODY_BYTES // 2
    for path in paths:
        index = _find_reading(app, path)
        yield None
        streamed.append((index, " %s=" % path))
        room -= len(path) + 2 + len(reading_text(app, index))
        yield None
    if room < 0:
        raise ProtocolError(t.E_REPLY_TOO_LONG, "stream")
    link.streamed = streamed
    # Now, whatever the clock was when the last stream ended: half of its range may have gone by.
    link.streamed_at = app.board.ticks_add(app.board.ticks_us(), -ms * 1000)
    link.stream_us = ms * 1000
    link.listen(link.listening | 1 << t.T_READING)
    yield "done"
