"""What can go wrong around a unit: each time a safe state or a run that goes on, a number that says what it is, and a
link that keeps answering. tests/hil/chip/test_faults.py has what only the chip can judge."""

from __future__ import annotations

import itertools
from binascii import crc32
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from struct import pack

import pytest

from airquill.image.build import firmware_files
from airquill.image.layout import RPI_PICO
from airquill.image.littlefs import build_filesystem, used_blocks
from airquill.link.client import Client, Refused
from airquill.simulator.board import VirtualBoard
from airquill.simulator.control import Control
from airquill.simulator.unit import Unit
from airquill_protocol import tables as t
from command_line import end, start_unit

FREE_BLOCKS = 4  # left on the full disk; its file system wants a few of them for itself


@pytest.fixture
def client() -> Iterator[Client]:
    with Client.open("sim://?needle=20") as opened:
        yield opened


def unit_of(client: Client) -> Unit:
    unit: Unit = client.port.raw.unit
    return unit


def hands_of(client: Client) -> Control:
    return Control.of(unit_of(client))


def answers(client: Client) -> bool:
    return client.get("pump.kick_ms") == {"pump.kick_ms": 200}


def still(client: Client) -> bool:
    driven = hands_of(client).outputs()
    return driven["pump"] == driven["valve"] == 0


# -- wiring and flash


def test_wrong_wiring_drives_nothing_and_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(VirtualBoard, "wiring_error", "The wiring file is not JSON. Send a whole one.")
    with Client.open("sim://") as client:
        assert client.get("fault.active") == {"fault.active": t.F_WIRING}
        hands_of(client).press(1, ms=200)
        client.port.sleep(0.5)
        assert still(client)
        for action in (("pick",), ("pulse", "pump", 100)):
            with pytest.raises(Refused) as error:
                client.do(*action)
            assert error.value.word == "unit_stopped"
        with pytest.raises(Refused) as error:
            client.do("clear")
        assert error.value.word == "cause_remains"
        client.set({"pump.idle_pct": 35}, keep=True)
        assert answers(client)


def newer_record(unit: Unit) -> None:
    """The newest record of settings becomes one of a firmware to come."""
    found = unit.app.store.load(0)
    block = t.STORE_FIRST_BLOCK + found.role
    head = bytearray(16)
    unit.flash.cells.read(block, found.at, head)
    whole = bytearray(16 + int.from_bytes(head[8:10], "little"))
    unit.flash.cells.read(block, found.at, whole)
    whole[5] = 2
    unit.flash.cells.write(block, found.at, bytes(whole) + crc32(whole).to_bytes(4, "little"))


def test_settings_of_a_newer_firmware_alone_give_factory_settings_and_are_kept_in_flash(client: Client) -> None:
    client.set({"pump.kick_ms": 300}, keep=True)
    newer_record(unit_of(client))
    client.do("restart")
    client.wait_for_restart()
    app = unit_of(client).app
    assert app.noticed(t.F_SETTINGS_NEWER) and app.noticed(t.F_FACTORY_SETTINGS)
    assert answers(client)
    client.do("pick")
    client.port.sleep(0.1)
    assert not still(client)


def test_a_full_disk_takes_settings_all_the_same(tmp_path: Path) -> None:
    files = firmware_files()
    free = RPI_PICO.block_count - len(used_blocks(build_filesystem(files, RPI_PICO), RPI_PICO)) - FREE_BLOCKS
    image = build_filesystem(files | {"/filler": bytes(free * RPI_PICO.block_bytes)}, RPI_PICO)
    assert len(used_blocks(image, RPI_PICO)) >= RPI_PICO.block_count - FREE_BLOCKS
    (tmp_path / "flash.bin").write_bytes(image)
    running = start_unit(tmp_path)
    try:
        with Client.open(running.port) as client:
            for value in (310, 320, 330):
                client.set({"pump.kick_ms": value}, keep=True)
            client.do("restart")
            client.wait_for_restart()
            assert client.get("pump.kick_ms") == {"pump.kick_ms": 330}
    finally:
        end(running)


def test_flash_that_takes_nothing_is_told_and_the_unit_works(client: Client) -> None:
    hands_of(client).fault("flash_wear", 1.0)
    with pytest.raises(Refused) as error:
        client.set({"pump.kick_ms": 300}, keep=True)
    assert error.value.word == "flash_failed"
    assert answers(client), "nothing was changed"
    assert unit_of(client).app.noticed(t.F_FLASH_WRITE)
    client.do("pick")
    client.port.sleep(0.1)
    assert not still(client)


# -- sensor and supply


def test_without_a_sensor_it_picks_by_time_and_says_so() -> None:
    with Client.open("sim://?sensor=off") as client:
        assert client.get("vacuum.kpa") == {"vacuum.kpa": None}
        for action in (("zero",), ("learn", "open")):
            with pytest.raises(Refused) as error:
                client.do(*action)
            assert error.value.word == "not_there"
        client.do("pick")
        client.port.sleep(0.6)
        assert client.get("cycle.state", "cycle.grip") == {"cycle.state": "holding", "cycle.grip": "unknown"}
        assert client.get("fault.active") == {"fault.active": 0}


@pytest.mark.parametrize("code", [-1, 0, 65535])
def test_a_sensor_out_of_range_stops_the_unit_until_it_is_back(client: Client, code: int) -> None:
    sensor = unit_of(client).world.sensor
    client.do("pick")
    client.port.sleep(0.3)
    sensor.code = lambda: code  # type: ignore[method-assign]
    client.port.sleep(0.3)
    assert still(client)
    assert client.get("fault.active") == {"fault.active": t.F_SENSOR_RANGE}
    with pytest.raises(Refused) as error:
        client.do("clear")
    assert error.value.word == "cause_remains"
    del sensor.code
    client.port.sleep(0.3)
    client.do("clear")
    assert answers(client)


def test_a_supply_that_falls_stops_the_unit(client: Client) -> None:
    client.do("pick")
    hands_of(client).supply(8.0)
    client.port.sleep(4)
    assert still(client)
    assert client.get("fault.active") == {"fault.active": t.F_SUPPLY_LOW}
    assert answers(client)


# -- pedals


def test_a_shorted_cable_is_one_press_that_ends_by_the_longest_run_and_is_told(client: Client) -> None:
    client.set({"pump.longest_run_s": 100, "pedal1.stuck_s": 60})
    hands_of(client).fault("cable_short", 1.0)
    client.port.sleep(1)
    assert client.get("pedal1.presses") == {"pedal1.presses": 1}
    client.port.sleep(62)
    assert unit_of(client).app.noticed(t.F_PEDAL1_STUCK)
    client.port.sleep(60)
    assert still(client)
    assert client.get("fault.active") == {"fault.active": t.F_PUMP_RAN_TOO_LONG}
    client.do("clear")
    client.port.sleep(1)
    assert still(client), "what is down since before the clear starts nothing"
    assert answers(client)


def test_a_cable_shorted_from_the_start_does_nothing_and_is_told(client: Client) -> None:
    unit = unit_of(client)
    hands_of(client).fault("cable_short", 1.0)
    unit.power_cut()
    unit.power_up()
    client.port.sleep(2)
    client.greet_again()
    assert still(client)
    app = unit_of(client).app
    assert app.noticed(t.F_PEDAL1_STUCK) and app.noticed(t.F_PEDAL2_STUCK)
    assert answers(client)


def test_20_khz_of_edges_on_a_pedal_are_no_press_and_stop_nothing(client: Client) -> None:
    unit = unit_of(client)
    passes = unit.passes
    hands_of(client).press(1, bounce=list(range(25, 500_000, 25)))
    client.port.sleep(0.45)
    assert client.get("pedal1.presses") == {"pedal1.presses": 0}
    assert unit.passes - passes > 440
    client.port.sleep(0.2)
    assert client.get("pedal1.presses") == {"pedal1.presses": 1}, "the press that it ends in counts once"
    assert answers(client)
    assert unit.starts == 1


# -- the computer


def test_with_usb_never_mounted_pedals_work_and_strokes_are_dropped() -> None:
    unit = Unit(seed=3)
    hands = Control.of(unit)
    hands.key_host("absent")
    unit.advance(50_000)
    for _ in range(3):
        hands.press(2, ms=60)
        unit.advance(300_000)
    assert (unit.app.keyboard.sent, unit.app.keyboard.dropped) == (0, 3)
    hands.press(1)
    unit.advance(100_000)
    assert hands.outputs()["pump"] > 0
    assert hands.reports() == []
    hands.key_host("ready")
    unit.advance(500_000)
    assert not any(any(report) for _, report in hands.reports()), "none comes later"
    unit.power_cut()


def test_a_host_that_closes_in_the_middle_of_a_line_is_followed_by_one_that_is_heard() -> None:
    unit = Unit(seed=3)
    for half in (b"7 set pump.kick_ms=3", b'8 set unit.name="half a', b"9 do pick *0123", b"\xff\xfe\x00", b"x" * 500):
        unit.wire.is_open = True
        unit.wire.to_unit += half
        unit.advance(100_000)
        unit.wire.is_open = False
        unit.advance(300_000)
        assert unit.app.values[t.PUMP_KICK_MS] == 200
        assert unit.app.cycle.picks == 0
    unit.wire.is_open = True
    unit.wire.to_unit += b"\nget pump.kick_ms\n"
    unit.advance(100_000)
    assert unit.wire.to_host.endswith(b"done pump.kick_ms=200\n")
    unit.power_cut()


# -- life


def test_hours_are_written_at_most_once_in_half_an_hour_of_running(client: Client) -> None:
    unit = unit_of(client)
    pump = unit.app.pump
    saved_at_s: list[int] = []
    save = unit.app.life.save

    def noted() -> None:
        saved_at_s.append(pump.run_s)
        save()

    unit.app.life.save = noted
    writes = unit.flash.writes
    # Three hours of running, half a minute in each second, as the pump itself counts them.
    for _ in range(360):
        pump.run_s += 30
        client.port.sleep(1)
    assert saved_at_s == pytest.approx([1800, 3600, 5400, 7200, 9000, 10800], abs=60)
    assert all(later - earlier >= 1800 for earlier, later in itertools.pairwise(saved_at_s))
    assert unit.flash.writes - writes <= 2 * len(saved_at_s)
    hours = float(str(client.get("life.pump_h")["life.pump_h"]))
    assert hours == pytest.approx(3, abs=0.01)
    pump.run_s += 900
    unit.power_cut()
    unit.power_up()
    unit.advance(400_000)
    client.greet_again()
    assert float(str(client.get("life.pump_h")["life.pump_h"])) == pytest.approx(hours, abs=0.51)


def test_due_notices_and_their_resets_from_end_to_end(client: Client) -> None:
    unit = unit_of(client)
    # A past of one hour on the filter and two on the pump, but for three seconds.
    unit.app.store.save_bytes(2, pack("<HIIIH", 7, 7197, 100, 3597, 0))
    client.port.sleep(0.1)
    client.do("restart")
    client.wait_for_restart()
    client.set({"service.filter_h": 1, "service.pump_h": 2})
    assert client.get("life.filter_h", "life.pump_starts") == {
        "life.filter_h": Decimal("0.99"),
        "life.pump_starts": 100,
    }
    client.listen("fault")
    client.do("pick")
    for word in ("filter_due", "pump_due"):
        due = client.wait_for("fault", 8, word=word)
        assert due is not None and due.fields["on"] is True, word
    client.do("release")
    for action, word in (("filter_changed", "filter_due"), ("pump_changed", "pump_due")):
        client.do(action)
        gone = client.wait_for("fault", 5, word=word)
        assert gone is not None and gone.fields["on"] is False, word
    client.do("stop")
    client.port.sleep(3)
    client.do("restart")
    client.wait_for_restart()
    kept = client.get("life.filter_h", "life.pump_h", "life.pump_starts")
    assert kept == {"life.filter_h": 0, "life.pump_h": 0, "life.pump_starts": 0}


def test_the_log_tells_a_restart_of_what_happened_before(client: Client) -> None:
    client.do("stop")
    client.port.sleep(3)
    client.do("restart")
    assert client.wait_for_restart().cause == "restart"
    unit_of(client).hang()
    client.port.sleep(3)
    assert client.greet_again().cause == "watchdog"
    whats = [(entry["what"], entry["detail"]) for entry in client.log()]
    assert (t.F_STOPPED_BY_HOST, 1) in whats
    assert (1000, 1) in whats, "a start after one timeout of the watchdog"
    assert (t.F_WATCHDOG_RESTART, 1) in whats
