"""Each fault around the board, at strength 0.3, moves a reading in the direction that a bench would see.

Faults of air and sensor are tests/pneumatics' matter; which way the others go is common practice, no source.
"""

from typing import Any

import pytest
import serial

from airquill.simulator.control import Control
from airquill.simulator.faults import OWN_FAULTS
from simulator.line import Line


def tapped(fault: str, strength: float, times: int = 40, pedal: int = 2) -> dict[str, float]:
    """Readings after a number of taps of 200 ms on a running unit."""
    port: Any = serial.serial_for_url("sim://?seed=3", timeout=20)
    line, hands = Line(port), Control.of(port.unit)
    line.greet()
    line.ask("do pick")
    hands.sleep(0.5)
    hands.fault(fault, strength)
    before = len(hands.reports())
    for _ in range(times):
        hands.press(pedal, ms=200)
        hands.sleep(0.47)
    hands.fault(fault, 0)
    hands.sleep(1)
    down = sum(report != bytes(8) for _, report in hands.reports(before))
    return {
        "presses": float(line.get(f"pedal{pedal}.presses")),
        "dropped": float(line.get("keys.dropped")),
        "keys": down,
    }


GOOD = tapped("pedal_bounce", 0)


def test_a_good_unit_counts_every_tap_once() -> None:
    assert GOOD == {"presses": 40, "dropped": 0, "keys": 40}


# The good unit's readings have no spread at all, so any difference is above three times it; the margins are wider.
@pytest.mark.parametrize(
    ("fault", "reading", "least", "most"),
    [
        ("pedal_chatter", "presses", 45, 400),
        ("cable_open", "presses", 45, 400),
        ("cable_short", "presses", 45, 400),
        ("pwm_pickup", "presses", 0, 35),
        ("usb_suspend", "dropped", 4, 40),
        ("usb_unplug", "dropped", 4, 40),
        ("usb_suspend", "keys", 0, 36),
        ("usb_unplug", "keys", 0, 36),
    ],
)
def test_pedal_and_usb_faults(fault: str, reading: str, least: int, most: int) -> None:
    assert least <= tapped(fault, 0.3)[reading] <= most


def test_bounce_counts_once_but_later() -> None:
    """One burst is one press, however long: it only takes longer to agree."""
    late = []
    for strength in (0.0, 0.3):
        port: Any = serial.serial_for_url("sim://?seed=4", timeout=2)
        line, hands = Line(port), Control.of(port.unit)
        line.greet()
        hands.fault("pedal_bounce", strength)
        times = []
        for _ in range(10):
            before = len(hands.reports())
            us = hands.press(2, ms=300)
            hands.sleep(0.7)
            times.append(hands.reports(before)[0][0] - us)
        assert line.get("pedal2.presses") == "10"
        late.append(sum(times) / 10)
    assert late[1] > late[0] + 3000


@pytest.mark.parametrize("fault", ["serial_flip", "serial_drop", "serial_double"])
def test_serial_noise_makes_bad_lines(fault: str) -> None:
    bad = []
    for strength in (0.0, 0.3):
        port: Any = serial.serial_for_url("sim://?seed=5", timeout=0.2)
        line, hands = Line(port), Control.of(port.unit)
        line.greet()
        hands.fault(fault, strength)
        for _ in range(60):
            try:
                line.ask("get pump.pwm_hz pump.kick_ms pump.ramp_ms pump.floor_pct")
            except AssertionError:
                port.reset_input_buffer()
                port.write(b"\n")
        hands.fault(fault, 0)
        port.write(b"\n")
        hands.sleep(0.2)
        port.reset_input_buffer()
        bad.append(int(line.get("link.bad_lines")))
    assert bad[0] == 0
    assert bad[1] >= 3


def test_an_unread_line_delays_replies() -> None:
    waits = []
    for strength in (0.0, 0.3):
        port: Any = serial.serial_for_url("sim://?seed=6", timeout=20)
        line, hands = Line(port), Control.of(port.unit)
        line.greet()
        hands.fault("serial_unread", strength)
        longest = 0.0
        for _ in range(100):
            start = hands.clock()
            line.get("pump.pwm_hz")
            longest = max(longest, hands.clock() - start)
            hands.sleep(0.1)
        waits.append(longest)
    assert waits[0] < 0.05
    assert waits[1] > 0.3


def saves(fault: str, strength: float) -> tuple[int, float]:
    """(saves that failed, longest pass of the loop in us) of a hundred saves."""
    port: Any = serial.serial_for_url("sim://?seed=7", timeout=5)
    line, hands = Line(port), Control.of(port.unit)
    line.greet()
    line.get("loop.tick_us")
    hands.fault(fault, strength)
    failed = 0
    for n in range(100):
        line.ask(f"set pump.ramp_ms={n}")
        failed += not line.ask("save").startswith("done")
    return failed, float(line.get("loop.tick_us"))


def test_a_worn_flash_fails_saves_and_a_stalling_one_holds_the_loop() -> None:
    good = saves("flash_wear", 0)
    assert good[0] == 0
    # One erase of 45 ms in a pass.
    assert good[1] < 60000
    assert saves("flash_wear", 0.3)[0] > 10
    assert saves("erase_stall", 0.3)[1] > 80000


def test_every_fault_has_its_test() -> None:
    tested = {
        *("pedal_bounce", "pedal_chatter", "cable_open", "cable_short", "pwm_pickup", "usb_suspend", "usb_unplug"),
        *("serial_flip", "serial_drop", "serial_double", "serial_unread", "flash_wear", "erase_stall"),
    }
    assert tested == set(OWN_FAULTS)
