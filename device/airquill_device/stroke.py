"""Stroke programs: what a bound gesture or cycle event sends as key reports.

A program is a row of steps. A chord is `0x10 + n`, a modifier byte and n usages of HID page 0x07; `0x01 lo hi` sets how
long the next chords are held and `0x02 lo hi` the pause after them, both in ms. Nothing here allocates, so the keyboard
part may ask at a press.
"""

from airquill_protocol import tables as t
from airquill_protocol.compat import const

HOLD = const(0x01)
GAP = const(0x02)
CHORD = const(0x10)
MOST_KEYS = const(6)
SHORTEST_MS = const(10)
LONGEST_MS = const(2000)
# HID Usage Tables, page 0x07: Keyboard a and A, and Keyboard F24. Below are error codes, above what few hosts know.
FIRST_USAGE = const(0x04)
LAST_USAGE = const(0x73)
# Modifier bits of the boot keyboard report (HID 1.11, appendix B): Ctrl, Alt and GUI, left and right.
SYSTEM_MODIFIERS = const(0xDD)


def step_bytes(program, at):
    """Length in bytes of the step at `at`, or 0 when the program is damaged there."""
    left = len(program) - at
    code = program[at]
    if code == HOLD or code == GAP:
        if left < 3:
            return 0
        ms = program[at + 1] | program[at + 2] << 8
        return 3 if SHORTEST_MS <= ms <= LONGEST_MS else 0
    keys = code - CHORD
    if keys < 0 or keys > MOST_KEYS or left < 2 + keys:
        return 0
    if keys == 0 and program[at + 1] == 0:
        return 0
    for i in range(at + 2, at + 2 + keys):
        if not FIRST_USAGE <= program[i] <= LAST_USAGE:
            return 0
        for before in range(at + 2, i):
            if program[before] == program[i]:
                return 0
    return 2 + keys


def check(program):
    """0 when the program is well formed (an empty one is: nothing bound), else the number of the error."""
    size = len(program)
    if size > t.STROKE_BYTES:
        return t.E_TOO_LONG
    at = 0
    presses = False
    while at < size:
        step = step_bytes(program, at)
        if step == 0:
            return t.E_STROKE_FORM
        presses = presses or program[at] >= CHORD
        at += step
    return t.E_STROKE_FORM if size and not presses else 0


def is_text(program):
    """True when a well-formed program is long enough to type a command: many chords, or many keys in all of them."""
    chords = keys = at = 0
    while at < len(program):
        code = program[at]
        if code >= CHORD:
            chords += 1
            keys += code - CHORD
            at += 2 + code - CHORD
        else:
            at += 3
    return chords > t.TEXT_CHORDS or keys > t.TEXT_CHORDS


def has_system(program):
    """True when a chord of a well-formed program holds Ctrl, Alt or GUI, on either side."""
    at = 0
    while at < len(program):
        code = program[at]
        if code >= CHORD:
            if program[at + 1] & SYSTEM_MODIFIERS:
                return True
            at += 2 + code - CHORD
        else:
            at += 3
    return False


def allowed(program, allow_system, allow_text):
    """0 when the program is well formed and may be sent under these two settings, else the number of the error."""
    error = check(program)
    if error:
        return error
    if not allow_system and has_system(program):
        return t.E_STROKE_REFUSED
    if not allow_text and is_text(program):
        return t.E_STROKE_REFUSED
    return 0
