"""The firmware of an Airquill unit: one small part per device, wired together by `app`.

Every part is an object with `configure()`, `tick(now)`, and where it needs them `second()` and `safe()`. Parts do no
input or output of their own and never wait: they work over the board that `app.board` offers, so they run unchanged
under MicroPython on the chip and under CPython on a PC.

Two rules hold in every `tick`. Nothing is allocated: no float, no integer from 2**30 on, no slice, closure or stored
method. And times wrap at 2**30 us: a wait is `board.ticks_diff(now, since)`, and no stamp is compared once it is older
than 500 s.
"""
