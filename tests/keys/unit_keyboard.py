"""The device's own keyboard part, played in virtual time over a board that records what it hands to USB."""

from airquill_device.keyboard import HOST_READY, Keyboard
from airquill_protocol import tables as t
from airquill_protocol.settings import default_values

TICK_US = 1000


class _Board:
    def __init__(self):
        self.now = 0
        self.reports = []

    def ticks_diff(self, a, b):
        return a - b

    def key_host(self):
        return HOST_READY

    def key_mounts(self):
        return 0

    def key_report(self, report):
        self.reports.append((self.now, bytes(report)))
        return True


class _App:
    def __init__(self):
        self.board = _Board()
        self.values = default_values()
        self.values[t.KEYS_ALLOW_SYSTEM] = self.values[t.KEYS_ALLOW_TEXT] = 1

    def emit_report(self, report, now):
        pass


def play(program):
    """Reports as (time_us, eight bytes) that the device makes of a program; system keys and long text allowed."""
    app = _App()
    keyboard = Keyboard(app)
    keyboard.strike(program)
    while keyboard.is_busy():
        keyboard.tick(app.board.now)
        app.board.now += TICK_US
    assert keyboard.dropped == 0
    return app.board.reports
