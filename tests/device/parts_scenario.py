"""One bench scene through all parts, printed line by line; test_parts.py runs it on both interpreters.

On MicroPython it also runs steady passes with the heap locked.
"""

from fake_board import FakeBoard, Unit, code_of

from airquill_protocol import tables as t

OPEN_KPA = 3300
SEALED_KPA = 6300


def prepare(unit):
    preset = t.PRESETN + t.PRESETN_SIZE
    unit.values[preset + t.PRESETN_OPEN_KPA] = OPEN_KPA
    unit.values[preset + t.PRESETN_SEALED_KPA] = SEALED_KPA
    unit.values[t.CONTROL_MODE] = 1
    unit.values[t.KEYS_ON_RELEASED] = b"\x11\x02\x51"
    unit.values[t.PEDALN + t.PEDALN_SIZE + t.PEDALN_HOLD_KEYS] = b"\x01\x32\x00\x12\x00\x04\x05"
    unit.values[t.PEDALN + t.PEDALN_SIZE + t.PEDALN_DOUBLE_DOES] = 2
    unit.configure()
    unit.run(50)


def scene(unit):
    board = unit.board
    prepare(unit)
    # A pick that finds its part, with bounce, over the wrap of the clock.
    for after_us, closed in ((0, True), (350, False), (420, True), (1900, False), (2000, True)):
        board.move(0, closed, after_us)
    for kpa in (500, 1500, 2500, 3300, 4000, 5200, 6000, 6300, 6350, 6300):
        board.code = code_of(kpa)
        unit.run(60)
    board.move(0, False)
    board.code = code_of(10)
    unit.run(600)
    # A missed one, with the knob turned meanwhile.
    board.move(0, True)
    board.code = code_of(OPEN_KPA)
    unit.run(900)
    board.steps = 2
    unit.run(900)
    board.move(0, False)
    unit.run(300)
    # The three gestures of the second pedal.
    unit.press(1)
    unit.run(400)
    unit.press(1)
    unit.press(1)
    unit.run(400)
    unit.press(1, 700)
    # A sensor that comes off, a press that clears.
    board.code = -1
    unit.run(300)
    board.code = code_of(0)
    unit.run(50)
    unit.press(0)
    unit.run(3000)


def tell(unit):
    for event in unit.events:
        print("event", *[item.hex() if isinstance(item, bytes) else item for item in event])
    for at_us, report in unit.board.reports:
        print("report", at_us, report.hex())
    for output in unit.board.outputs:
        print("output", *output)
    print("lamps", bytes(unit.board.lamps).hex())
    print("sensor", unit.sensor.kpa, unit.sensor.noise, unit.sensor.steady_noise)
    print("counters", unit.cycle.picks, unit.cycle.released, unit.keyboard.sent, unit.keyboard.dropped, unit.pump.run_s)


def passes(board, unit, count):
    """As FakeBoard.pass_on does, without the scripted contacts, which allocate."""
    for _ in range(count):
        board.now = (board.now + 1000) & 0x3FFFFFFF
        unit.tick()


def locked_passes():
    """1000 passes each: idle; picking with the pump at speed and noise on the sensor; holding in two-level control."""
    import micropython

    board = FakeBoard()
    unit = Unit(board)
    prepare(unit)
    unit.run(3000)

    def steady(name):
        micropython.heap_lock()
        try:
            passes(board, unit, 1000)
            unit.second()
        finally:
            micropython.heap_unlock()
        print("steady", name)

    steady("idle")
    board.move(0, True)
    unit.run(500)
    board.code = code_of(OPEN_KPA)
    unit.run(2000)  # past the miss
    steady("picking")
    board.code = code_of(SEALED_KPA)
    unit.run(500)
    steady("holding")


if __name__ == "__main__":
    import sys

    unit = Unit()
    scene(unit)
    tell(unit)
    if sys.implementation.name == "micropython":
        locked_passes()
