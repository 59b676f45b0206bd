"""sim:// through pyserial: the device's own App over the virtual board, in virtual time."""

from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

import airquill.simulator
from airquill.errors import AirquillError
from airquill.simulator.control import Control
from airquill.simulator.world import FAULTS
from simulator.line import Line


@pytest.fixture(autouse=True)
def fresh_units() -> Iterator[None]:
    airquill.simulator.reset()
    yield
    airquill.simulator.reset()


def open_line(url: str) -> tuple[Line, Control]:
    port = serial.serial_for_url(url, timeout=2)
    return Line(port), Control.of(port.unit)


def test_greeting_and_settings() -> None:
    line, _ = open_line("sim://")
    hello = line.greet()
    assert hello["board"] == "virtual"
    assert hello["cause"] == "power"
    assert "sensor" in hello["caps"].split(",")
    assert line.get("pump.pwm_hz") == "25000"


def test_a_pedal_picks_seals_and_sends_a_key() -> None:
    line, hands = open_line("sim://?needle=22")
    line.greet()
    hands.press(1, bounce="foot")
    hands.sleep(1.5)
    assert line.get("cycle.state") == "holding"
    opened = hands.truth()["pen_kpa"]
    hands.tip("sealed")
    hands.sleep(0.7)
    truth = hands.truth()["pen_kpa"]
    assert truth > opened + 5
    assert float(line.get("vacuum.kpa")) == pytest.approx(truth, abs=1.0)
    hands.release(1)
    hands.sleep(0.5)
    assert hands.truth()["pen_kpa"] < 0.2
    before = len(hands.reports())
    hands.press(2, ms=60)
    hands.sleep(0.5)
    # Down Arrow is usage 0x51: HID Usage Tables 1.5, page 0x07.
    assert [report.hex() for _, report in hands.reports(before)] == ["0000510000000000", "0000000000000000"]


def test_a_part_is_picked_and_let_go() -> None:
    """An 0603 resistor, 1.6 x 0.8 x 0.45 mm, 2 mg (mass from memory), on a needle that suits it."""
    line, hands = open_line("sim://?needle=25")
    line.greet()
    hands.touch((1.6, 0.8, 0.45), 2.0)
    assert not hands.lift(), "without vacuum nothing comes along"
    line.ask("do pick")
    hands.touch((1.6, 0.8, 0.45), 2.0)
    hands.sleep(1)
    assert hands.lift()
    assert hands.truth()["tip"] == "held"
    hands.place(20.0)
    line.ask("do release")
    hands.sleep(0.5)
    assert not hands.lift()
    assert hands.truth()["tip"] == "open"


def test_a_part_named_in_the_address_lies_under_the_tip() -> None:
    line, hands = open_line("sim://?needle=25&part=1.6x0.8x0.45:2")
    line.greet()
    assert hands.truth()["tip"] == "touching"
    line.ask("do pick")
    hands.sleep(1)
    assert hands.lift()


def test_saved_settings_outlive_restart_power_cut_and_port() -> None:
    line, hands = open_line("sim://bench1")
    line.greet()
    line.ask('set unit.name="Heather"')
    line.ask("save")
    line.ask("set pump.ramp_ms=999")
    line.ask("do restart")
    hands.sleep(0.6)
    assert line.greet()["cause"] == "restart"
    assert line.get("unit.name") == '"Heather"'
    assert line.get("pump.ramp_ms") == "150"
    hands.power_cut()
    hands.sleep(0.1)
    hands.power_up()
    hands.sleep(0.6)
    assert line.greet()["cause"] == "power"
    line.port.close()
    again, _ = open_line("sim://bench1")
    assert again.port.unit is line.port.unit
    assert again.greet()["boots"] == "3"


def test_a_flash_file_keeps_settings_from_process_to_process(tmp_path: Path) -> None:
    url = f"sim://?flash={tmp_path}/flash.bin"
    line, _ = open_line(url)
    line.greet()
    line.ask('set unit.serial="H-020"')
    line.ask("save")
    other, _ = open_line(url)
    other.greet()
    assert other.get("unit.serial") == '"H-020"'


def test_two_units_share_nothing() -> None:
    a, hands_a = open_line("sim://a")
    b, _ = open_line("sim://b")
    first, second = a.greet(), b.greet()
    assert first["chip"] != second["chip"]
    a.ask('set unit.name="A"')
    a.ask("do pick")
    hands_a.sleep(1)
    assert b.get("unit.name") == '""'
    assert b.get("cycle.state") == "idle"
    assert b.port.clock() < a.port.clock()


def test_equal_seeds_give_equal_histories() -> None:
    def history() -> list[str]:
        line, hands = open_line("sim://?seed=5&fault=sensor_noisy:0.5&fault=pedal_chatter:0.3")
        line.greet()
        out = []
        hands.press(1)
        for _ in range(20):
            hands.sleep(0.05)
            out.append(line.ask("get vacuum.kpa sensor.code pedal1.presses"))
        return out

    assert history() == history()


def test_the_power_cut_at_a_write_keeps_the_old_or_the_new() -> None:
    outcomes = set()
    for n in range(1, 12):
        line, hands = open_line(f"sim://?seed={n}")
        line.greet()
        line.ask('set unit.name="old"')
        line.ask("save")
        line.ask('set unit.name="new"')
        hands.cut_at_write(n)
        line.port.timeout = 0.5
        try:
            line.ask("save")
        except AssertionError:
            assert not line.port.unit.is_on
        line.port.timeout = 2
        hands.cut_at_write(0)
        hands.power_up()
        hands.sleep(0.6)
        line.greet()
        outcomes.add(line.get("unit.name"))
    assert outcomes == {'"old"', '"new"'}


def test_a_hung_unit_is_restarted_by_its_watchdog_with_outputs_low() -> None:
    line, hands = open_line("sim://")
    line.greet()
    line.ask("do pick")
    hands.sleep(0.5)
    assert hands.outputs()["pump"] > 0
    hands.hang()
    hands.sleep(3)
    assert hands.outputs()["pump"] == hands.outputs()["valve"] == 0
    assert line.greet()["cause"] == "watchdog"


def test_ctrl_c_takes_the_unit_down_to_its_prompt() -> None:
    line, hands = open_line("sim://")
    line.greet()
    line.ask("do pick")
    hands.sleep(0.5)
    line.port.write(b"\x03")
    hands.sleep(5)
    assert hands.outputs()["pump"] == 0
    assert line.port.unit.app is None
    hands.power_cut()
    hands.power_up()
    hands.sleep(0.5)
    assert line.greet()["cause"] == "power"


def test_idle_hours_pass_quickly_and_events_still_come_on_time() -> None:
    line, hands = open_line("sim://")
    line.greet()
    hands.sleep(30)
    passes = line.port.unit.passes
    hands.sleep(3600)
    assert line.port.unit.passes - passes < 3600 * 30
    before = len(hands.reports())
    us = hands.press(2, ms=60)
    hands.sleep(0.3)
    down = hands.reports(before)[0][0]
    # 3 ms of agreement after the last of the bounces (1.6 ms), one pass, one frame.
    assert 3000 <= down - us <= 3000 + 1600 + 3000
    assert int(line.get("loop.uptime_s")) == pytest.approx(hands.clock(), abs=2)


@pytest.mark.parametrize(
    ("url", "sentence"),
    [
        ("sim://?needle=99", "no needle of 99 gauge"),
        ("sim://?needle=thin", "whole number"),
        ("sim://?fault=gremlins:0.3", "no fault is called gremlins"),
        ("sim://?fault=hose_leak:2", "must be 0 to 1"),
        ("sim://?fault=hose_leak", "as in fault=hose_leak:0.3"),
        ("sim://?fault=hose_leak:much", "the strength of hose_leak must be a number"),
        ("sim://?part=1.6x0.8:2", "length, width and height"),
        ("sim://?part=1.6x0.8x0.45", "part must be a number"),
        ("sim://?part=1.6x0.8x0.45:0", "above zero"),
        ("sim://?colour=red", "no option 'colour'"),
        ("sim://?sensor=maybe", "on or off"),
        ("sim://?flash=/nowhere/at/all/flash.bin", "No such file"),
    ],
)
def test_a_wrong_address_is_refused_with_a_sentence(url: str, sentence: str) -> None:
    with pytest.raises(serial.SerialException, match=sentence):
        serial.serial_for_url(url)


def test_a_file_that_is_no_flash_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("twenty boards")
    with pytest.raises(serial.SerialException, match="no flash file"):
        serial.serial_for_url(f"sim://?flash={path}")
    assert path.read_text() == "twenty boards"


def test_a_port_can_be_opened_once_at_a_time() -> None:
    first = serial.serial_for_url("sim://bench")
    with pytest.raises(serial.SerialException, match="open"):
        serial.serial_for_url("sim://bench")
    first.close()
    serial.serial_for_url("sim://bench").close()


def test_control_says_what_is_wrong() -> None:
    _, hands = open_line("sim://")
    for call in (
        lambda: hands.fault("gremlins", 0.3),
        lambda: hands.fault("hose_leak", 3),
        lambda: hands.needle(99),
        lambda: hands.key_host("gone"),
        lambda: hands.press(3),
        lambda: hands.press(1, bounce="loud"),
        lambda: hands.supply(99),
        hands.place,
    ):
        with pytest.raises(AirquillError, match="cannot do that"):
            call()
    assert not any(hands.faults().values())
    assert set(hands.faults()) == set(FAULTS)
