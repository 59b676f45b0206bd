"""The rig's loop: requests on the line, and a rest when the host falls silent. The line is the unit's own protocol."""

from airquill_protocol import frame
from airquill_protocol import tables as shared
from airquill_protocol import values as v
from airquill_protocol.fault import ProtocolError
from airquill_rig import tables as t
from airquill_rig import words

FIRMWARE = "0.1.0"
# Outputs go to rest when no line came for this long.
SILENT_US = 30000000
_ROOM = 190
_MOST_BOUNCES = 6


class Rig:
    """One rig over one board. `us` counts from its start."""

    def __init__(self, board):
        self.board = board
        self.us = 0
        self._ticks = board.ticks_us()
        self._heard_us = 0
        self._rested = False
        self._reader = frame.LineReader()
        self._in = bytearray(32)
        self._out = b""
        self.rest()

    def rest(self):
        """Pedals up, tip open, supply on."""
        self._rested = True
        self.board.let_go()
        self.board.tip(0)
        self.board.power(True)

    def tick(self):
        """One pass."""
        board = self.board
        ticks = board.ticks_us()
        self.us += board.ticks_diff(ticks, self._ticks)
        self._ticks = ticks
        board.tick(self.us)
        n = board.serial_read(self._in)
        for i in range(n):
            if self._reader.push(self._in[i]):
                self._line()
                self._reader.clear()
        if self._out:
            taken = board.serial_write(self._out, 0, len(self._out))
            self._out = self._out[taken:]
        if not self._rested and self.us - self._heard_us > SILENT_US:
            self.rest()

    def _line(self):
        """A request. What is damaged, or is no request of a program, is thrown away."""
        line = bytes(memoryview(self._reader.buffer)[: self._reader.length])
        state, body = frame.unframe(line)
        number, _, request = body.partition(" ")
        if state != frame.GOOD or frame.request_id(number) < 0 or not request:
            return
        self._heard_us = self.us
        self._rested = False
        try:
            text = self._do(frame.split(request))
        except ProtocolError as error:
            text = "error %d %s %s" % (error.number, error.word(), v.quote(error.sentence().encode()))
        self._out = frame.frame(number + " " + text)

    def _do(self, fields):
        verb = fields[0]
        if verb == "hello":
            return self._hello(fields)
        if verb == "get":
            return "done" + "".join([" %s=%s" % (path, self._reading(path)) for path in fields[1:]])
        if verb == "do" and len(fields) > 1:
            return self._action(fields)
        raise ProtocolError(shared.E_UNKNOWN_VERB, verb)

    def _hello(self, fields):
        return (
            "done protocol=%d session=%s firmware=%s build=%s registry=%d hash=%s board=rig chip=%s"
            " boots=0 cause=power caps=%s"
            % (
                t.PROTOCOL,
                fields[1] if len(fields) > 1 else "0",
                FIRMWARE,
                "source",
                t.REGISTRY,
                t.REGISTRY_HASH,
                self.board.unique_id(),
                ",".join(self.board.capabilities()),
            )
        )

    def _reading(self, path):
        board = self.board
        if path == "pump.hz":
            return "%d" % board.gate(0)[0]
        if path == "pump.duty_pct":
            return v.format_number(board.gate(0)[1], 2)
        if path == "valve.hz":
            return "%d" % board.gate(1)[0]
        if path == "valve.duty_pct":
            return v.format_number(board.gate(1)[1], 2)
        if path == "supply.volts":
            return v.format_number(board.supply_10mv(), 2)
        if path == "supply.ma":
            return "%d" % board.supply_ma()
        if path == "vacuum.kpa":
            return v.format_number(board.vacuum_10pa(), 2)
        raise ProtocolError(shared.E_UNKNOWN_PATH, path)

    def _action(self, fields):
        name = fields[1]
        args = v.arguments(t.ACTIONS[v.action_id(t.ACTIONS, name)][2], fields[2:])
        if name == "press":
            return self._press(args)
        if name == "record":
            self.board.record(self.us)
        elif name == "drives":
            return self._drives(args[0])
        elif name == "power":
            self.board.power(bool(args[0]))
        elif name == "tip":
            self.board.tip(args[0])
        else:
            self.rest()
        return "done at=%d" % self.us

    def _press(self, args):
        pedal, ms, text = args
        try:
            bounce = [int(us) for us in text.decode().split(",")] if text else []
            if len(bounce) > _MOST_BOUNCES:
                raise ValueError
            levels = words.press_words(ms, bounce)
        except ValueError:
            raise ProtocolError(shared.E_OUT_OF_RANGE, "bounce")
        self.board.press(pedal - 1, levels)
        return "done at=%d" % self.us

    def _drives(self, number):
        changes = self.board.changes()
        text = ""
        while number < len(changes):
            piece = " %d:%d:%d" % changes[number]
            if len(text) + len(piece) > _ROOM:
                break
            text += piece
            number += 1
        return "done next=%d%s" % (number if number < len(changes) else 0, text)
