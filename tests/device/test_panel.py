"""Knob and bar: strength, undo, presets, clearing, lock, and what the lamps show."""

from pathlib import Path

import pytest

from airquill_device.pump import duty_u16
from airquill_protocol import tables as t
from device.fake_board import FakeBoard, Unit, code_of


@pytest.fixture
def unit():
    unit = Unit()
    unit.run(40)
    return unit


def turn(unit, steps):
    unit.board.steps += steps
    unit.run(20)


def push(unit):
    unit.board.pushed = True
    unit.run(100)
    unit.board.pushed = False
    unit.run(100)


def lamps(unit):
    return list(unit.board.lamps)


def test_turning_changes_the_strength_at_once(unit):
    unit.cycle.vacuum(True)
    unit.run(600)
    turn(unit, 3)
    assert unit.cycle.strength == 860
    assert unit.topics(t.T_PRESET) == [(2, 860, 0)]
    unit.run(200)
    assert unit.board.pump_duty == duty_u16(860)
    turn(unit, -5)
    assert unit.cycle.strength == 760


def test_step_setting_and_ends(unit):
    unit.set(t.PANEL_STEP_PCT, 50)
    turn(unit, 1)
    assert unit.cycle.strength == 850
    turn(unit, 100)
    assert unit.cycle.strength == 1000


def test_a_push_soon_after_turning_takes_it_back(unit):
    turn(unit, 3)
    unit.run(500)
    turn(unit, 2)
    push(unit)
    assert (unit.cycle.strength, unit.cycle.preset) == (800, 2)
    push(unit)
    assert unit.cycle.preset == 3


def test_a_push_later_goes_to_the_next_preset(unit):
    turn(unit, 3)
    unit.run(3100)
    assert unit.cycle.strength == 860
    push(unit)
    assert (unit.cycle.preset, unit.cycle.strength) == (3, 700)


def test_no_undo_across_a_change_of_preset(unit):
    turn(unit, 3)
    unit.cycle.use_preset(4)
    unit.run(100)
    push(unit)
    assert unit.cycle.preset == 1


def test_pushes_walk_through_the_presets(unit):
    seen = []
    for _ in range(5):
        push(unit)
        seen.append(unit.cycle.preset)
    assert seen == [3, 4, 1, 2, 3]


def test_a_long_push_is_one_push(unit):
    unit.board.pushed = True
    unit.run(5000)
    assert unit.cycle.preset == 3


def test_a_push_held_at_start_does_nothing():
    board = FakeBoard()
    board.pushed = True
    unit = Unit(board)
    unit.run(500)
    assert unit.cycle.preset == 2
    board.pushed = False
    unit.run(50)
    push(unit)
    assert unit.cycle.preset == 3


def test_a_push_clears_a_fault_and_nothing_else(unit):
    unit.fault(t.F_DEAD_MAN)
    unit.run(50)
    push(unit)
    assert not unit.stopped
    assert unit.cycle.preset == 2


def test_no_undo_across_a_fault(unit):
    turn(unit, 3)
    unit.fault(t.F_DEAD_MAN)
    unit.run(50)
    push(unit)
    push(unit)
    assert (unit.cycle.preset, unit.cycle.strength) == (3, 700)


def test_lock(unit):
    unit.set(t.PANEL_LOCK, 1)
    turn(unit, 5)
    push(unit)
    assert (unit.cycle.strength, unit.cycle.preset) == (800, 2)
    unit.set(t.PANEL_LOCK, 0)
    unit.run(50)
    assert unit.cycle.strength == 800, "what was turned while locked is gone"


def test_a_unit_without_a_panel_asks_nothing():
    unit = Unit(FakeBoard(capabilities=("sensor",)))
    turn(unit, 5)
    push(unit)
    assert (unit.cycle.strength, unit.cycle.preset) == (800, 2)
    assert unit.board.steps == 5


def test_the_bar_shows_strength_dimly_and_vacuum_brightly(unit):
    unit.run(50)
    assert lamps(unit) == [64, 64, 64, 64, 0]
    unit.board.code = code_of(4000)
    unit.run(300)
    assert lamps(unit)[:2] == [255, 255]
    assert 120 < lamps(unit)[2] < 135, "4000 of 8000 fills two lamps and a half"
    assert lamps(unit)[3:] == [64, 0]


def test_the_bar_is_full_at_the_sealed_level(unit):
    unit.set(t.PRESETN + t.PRESETN_SIZE + t.PRESETN_SEALED_KPA, 4000)
    unit.board.code = code_of(4010)
    unit.run(300)
    assert lamps(unit) == [255] * 5


def test_without_a_sensor_the_bar_shows_strength_brightly():
    unit = Unit(FakeBoard(capabilities=("panel",)))
    unit.cycle.use_strength(500)
    unit.run(50)
    assert lamps(unit) == [255, 255, 127, 0, 0]


@pytest.mark.parametrize(
    ("number", "lit"),
    [(1, [0]), (3, [2]), (5, [4]), (6, [0, 4]), (7, [1, 4]), (8, [2, 4])],
)
def test_a_new_preset_shows_its_number_for_a_second(unit, number, lit):
    unit.set(t.PRESET_COUNT, 8)
    unit.cycle.use_preset(number)
    unit.run(100)
    assert [i for i, lamp in enumerate(lamps(unit)) if lamp] == lit
    unit.run(1100)
    assert lamps(unit)[0] == 64


@pytest.mark.parametrize("number", [t.F_STOPPED_BY_HOST, t.F_DEAD_MAN, t.F_SENSOR_RANGE, t.F_WIRING])
def test_a_fault_blinks_its_number(unit, number):
    unit.fault(number)
    unit.run(16)  # painted in one pass, shown in the next
    seen = set()
    changes = 0
    last = None
    for _ in range(125):
        unit.run(16)
        shown = tuple(lamps(unit))
        seen.add(shown)
        changes += last is not None and shown != last
        last = shown
    assert seen == {(0,) * 5, tuple(255 if number >> i & 1 else 0 for i in range(5))}
    assert 3 <= changes <= 4, "half a second each"


def test_brightness_goes_to_the_board_at_once(unit):
    unit.set(t.PANEL_BRIGHTNESS_PCT, 75)
    unit.run(20)
    assert unit.board.brightness == 75


def test_the_page_shows_each_fault_as_the_bar_does(unit):
    """docs/panel.md draws the faults; the drawing is made here from the lamps."""
    page = (Path(__file__).resolve().parents[2] / "docs" / "panel.md").read_text()
    faults = [number for number, (_, stops) in t.FAULTS.items() if stops]
    assert faults
    for number in faults:
        unit.fault(number)
        unit.run(16)
        shown = {" ".join("o" if lamp else "." for lamp in lamps(unit)) for _ in range(64) if unit.run(16) is None}
        (drawing,) = shown - {". . . . ."}
        assert any(line.startswith(f"| {number} ") and f"| `{drawing}` |" in line for line in page.splitlines())
        unit.clear()
