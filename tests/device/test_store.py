"""Records over power cuts: cut at any write of a save, the old settings or the new ones are there, never a mixture."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from airquill.simulator.control import Control
from airquill.simulator.unit import Unit
from airquill_device import change, store
from airquill_protocol import settings
from airquill_protocol import tables as t

RAMP, NAME = t.PUMP_RAMP_MS, t.UNIT_NAME


def run(work: Iterator[object]) -> None:
    """All steps of what the firmware does a step a pass."""
    for _ in work:
        pass


def save(unit: Unit, ramp_ms: int, name: bytes) -> bool:
    """Change two settings and keep them; True when the unit said so, False when the power went."""
    values = unit.app.values[:]
    values[RAMP], values[NAME] = ramp_ms, name
    run(unit.app.change(values))
    unit.app.store.save_values(store.SETTINGS, unit.app.values)
    while unit.is_on and unit.app is not None and unit.app.store.state == store.WORKING:
        unit.advance(1000)
    return unit.is_on and unit.app is not None and unit.app.store.state == store.DONE


def power_cycle(unit: Unit) -> tuple[int, bytes]:
    unit.power_cut()
    unit.flash.cut_in = 0
    unit.power_up()
    unit.advance(400_000)
    return unit.app.values[RAMP], unit.app.values[NAME]


@pytest.fixture
def unit() -> Iterator[Unit]:
    unit = Unit(seed=5)
    unit.advance(50_000)
    yield unit
    unit.power_cut()


def test_settings_survive(unit: Unit) -> None:
    assert save(unit, 333, b"Heather bench")
    assert power_cycle(unit) == (333, b"Heather bench")


def test_a_new_unit_says_that_factory_settings_run(unit: Unit) -> None:
    assert unit.app.noticed(t.F_FACTORY_SETTINGS)
    save(unit, 333, b"x")
    power_cycle(unit)
    assert not unit.app.noticed(t.F_FACTORY_SETTINGS)


@pytest.mark.parametrize("saves_before", [0, 1, 4, 5, 6, 9, 10, 11])
def test_a_power_cut_at_any_write_leaves_old_or_new(saves_before: int) -> None:
    """The id of a case is saves_before and the write that is cut: a failing one can be run again alone."""
    cut = 0
    while True:
        cut += 1
        unit = Unit(seed=100 + cut)
        unit.advance(50_000)
        old = (150, b"")
        for n in range(saves_before):
            old = (200 + n, b"save %d" % n)
            assert save(unit, *old)
        new = (777, b"the new name")
        unit.flash.cut_in = cut
        done = save(unit, *new)
        found = power_cycle(unit)
        if done:
            assert found == new
            break
        assert found in (old, new), f"saves_before={saves_before} cut at write {cut}"
        # And the unit is able to save again.
        assert save(unit, 888, b"after"), f"saves_before={saves_before} cut at write {cut}"
        assert power_cycle(unit) == (888, b"after")
    assert cut > 2


def test_many_saves_go_round_both_blocks(unit: Unit) -> None:
    for n in range(40):
        assert save(unit, 100 + n, b"n%d" % n)
        if n % 7 == 0:
            assert power_cycle(unit) == (100 + n, b"n%d" % n)
    assert unit.flash.erases


def test_undo_goes_back_one_save_and_again_forward(unit: Unit) -> None:
    hands = Control.of(unit)
    save(unit, 300, b"first")
    save(unit, 400, b"second")
    run(change.undo(unit.app))
    assert unit.app.values[RAMP] == 300
    save(unit, 300, b"first")
    run(change.undo(unit.app))
    assert unit.app.values[RAMP] == 400
    hands.close()


def corrupt(unit: Unit, role: int, at: int) -> None:
    block = t.STORE_FIRST_BLOCK + role
    byte = bytearray(1)
    unit.flash.cells.read(block, at, byte)
    byte[0] ^= 0x10
    unit.flash.cells.write(block, at, byte)


def test_a_damaged_newest_record_gives_way_to_the_one_before_and_is_told(unit: Unit) -> None:
    save(unit, 300, b"good")
    save(unit, 400, b"bad")
    found = unit.app.store.load(store.SETTINGS)
    corrupt(unit, found.role, found.at + 40)
    assert power_cycle(unit) == (300, b"good")
    assert unit.app.noticed(t.F_SETTINGS_DAMAGED)


def test_a_newer_format_does_not_hide_an_older_record(unit: Unit) -> None:
    save(unit, 300, b"good")
    save(unit, 400, b"newer")
    found = unit.app.store.load(store.SETTINGS)
    block = t.STORE_FIRST_BLOCK + found.role
    record = bytearray(16)
    unit.flash.cells.read(block, found.at, record)
    length = int.from_bytes(record[8:10], "little")
    whole = bytearray(16 + length)
    unit.flash.cells.read(block, found.at, whole)
    whole[5] = 2
    from binascii import crc32

    unit.flash.cells.write(block, found.at, bytes(whole) + crc32(whole).to_bytes(4, "little"))
    assert power_cycle(unit) == (300, b"good")
    assert unit.app.noticed(t.F_SETTINGS_NEWER)


def test_unknown_and_unfit_settings_of_a_record_are_passed_over() -> None:
    values = settings.default_values()
    payload = bytes([250, 0, 1, 7])  # an id that no setting has
    payload += bytes([13, 0, 2]) + (9999).to_bytes(2, "little")  # pump.ramp_ms far out of range
    payload += store.encode_value(NAME, b"kept")
    store.decode_values(payload, values)
    assert values[NAME] == b"kept"
    assert values[RAMP] == 150


def test_every_default_survives_encoding() -> None:
    defaults = settings.default_values()
    payload = b"".join(store.encode_value(slot, defaults[slot]) for slot in range(t.SLOTS))
    values: list[object] = [None] * t.SLOTS
    store.decode_values(payload, values)
    assert values == defaults


def test_worn_flash_refuses_the_save_and_the_old_record_stays(unit: Unit) -> None:
    assert save(unit, 300, b"good")
    unit.flash.worn = 1.0
    assert not save(unit, 400, b"lost")
    unit.flash.worn = 0.0
    assert power_cycle(unit) == (300, b"good")


def test_three_watchdog_restarts_in_a_row_start_with_factory_settings(unit: Unit) -> None:
    save(unit, 300, b"good")
    for _ in range(3):
        assert unit.app.values[RAMP] == 300
        unit.hang()
        unit.advance(3_000_000)
    assert unit.app.values[RAMP] == 150
    assert unit.app.noticed(t.F_FACTORY_SETTINGS)
    assert unit.app.noticed(t.F_WATCHDOG_RESTART)
    unit.advance(61_000_000)
    assert unit.app.kept[RAMP] == 300, "the saved record is untouched"


def test_the_log_and_the_boot_number_survive(unit: Unit) -> None:
    first = unit.app.life.boots
    unit.app.fault(t.F_STOPPED_BY_HOST)
    unit.advance(2_500_000)
    power_cycle(unit)
    assert unit.app.life.boots == first + 1
    logged = [unit.app.life.entry(n) for n in range(unit.app.life.oldest(), unit.app.life.logged)]
    assert any(entry[1] == t.F_STOPPED_BY_HOST for entry in logged if entry)
