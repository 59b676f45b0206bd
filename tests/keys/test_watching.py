"""What `keys watch` shows: Linux key events in the kernel's own form, captured reports, and two clocks tied."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from threading import Thread

import pytest

from airquill.errors import AirquillError
from airquill.keys import KeyEvent, encode
from airquill.keys.received import EventDevice, event_device
from airquill.keys.watching import CapturedReports, Clocks, watch
from airquill.link.client import Client
from airquill.simulator.control import Control

# Two keys as the kernel's HID driver tells them, by the system's own headers: scan code, key, end of the report.
PROGRAM = r"""
#include <linux/input.h>
#include <stdio.h>
static void tell(int type, int code, int value) {
    struct input_event event = {0};
    event.input_event_sec = 12;
    event.input_event_usec = 345678;
    event.type = type; event.code = code; event.value = value;
    fwrite(&event, sizeof event, 1, stdout);
}
int main(void) {
    tell(EV_MSC, MSC_SCAN, 0x700e1); tell(EV_KEY, KEY_LEFTSHIFT, 1); tell(EV_SYN, SYN_REPORT, 0);
    tell(EV_MSC, MSC_SCAN, 0x70051); tell(EV_KEY, KEY_DOWN, 1); tell(EV_SYN, SYN_REPORT, 0);
    tell(EV_KEY, KEY_DOWN, 2); tell(EV_SYN, SYN_REPORT, 1);
    tell(EV_MSC, MSC_SCAN, 0x70051); tell(EV_KEY, KEY_DOWN, 0); tell(EV_SYN, SYN_REPORT, 0);
    tell(EV_MSC, MSC_SCAN, 0xc00e9); tell(EV_LED, LED_CAPSL, 1); tell(EV_SYN, SYN_REPORT, 0);
    tell(EV_MSC, MSC_SCAN, 0x700e1); tell(EV_KEY, KEY_LEFTSHIFT, 0); tell(EV_SYN, SYN_REPORT, 0);
    return 0;
}
"""
TIME_US = 12_345_678


@pytest.fixture(scope="module")
def kernel_events(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    from conftest import require

    require(
        shutil.which("gcc") and Path("/usr/include/linux/input.h").exists(),
        "needs a C compiler and Linux's headers: apt-get install gcc linux-libc-dev",
    )
    folder = tmp_path_factory.mktemp("events")
    (folder / "events.c").write_text(PROGRAM)
    subprocess.run(["gcc", "-o", str(folder / "events"), str(folder / "events.c")], check=True)
    return subprocess.run([str(folder / "events")], check=True, capture_output=True).stdout


@pytest.mark.parametrize("piece", [1, 7, 24, 1000])
def test_events_in_the_kernels_form(kernel_events: bytes, tmp_path: Path, piece: int) -> None:
    """Through a real pipe, in pieces of any size."""
    pipe = tmp_path / "event0"
    os.mkfifo(pipe)

    def write() -> None:
        with pipe.open("wb", buffering=0) as out:
            for at in range(0, len(kernel_events), piece):
                out.write(kernel_events[at : at + piece])

    writer = Thread(target=write)
    writer.start()
    with EventDevice(pipe) as device:
        found = list(device.events(5.0))
    writer.join(10)
    assert found == [
        KeyEvent(TIME_US, 0xE1, True),
        KeyEvent(TIME_US, 0x51, True),
        KeyEvent(TIME_US, 0x51, False),
        KeyEvent(TIME_US, 0xE1, False),
    ]


def test_the_units_device_is_found_by_product_and_chip(tmp_path: Path) -> None:
    for number, name, uniq in (
        (0, "Power Button", ""),
        (3, "Airquill Airquill", "e660583883722b2a"),
        (4, "Airquill Airquill", "51A1AB1E00000001"),
    ):
        folder = tmp_path / f"event{number}" / "device"
        folder.mkdir(parents=True)
        (folder / "name").write_text(name + "\n")
        (folder / "uniq").write_text(uniq + "\n")
    assert event_device("51a1ab1e00000001", tmp_path) == Path("/dev/input/event4")
    assert event_device("another", tmp_path) == Path("/dev/input/event3")
    assert event_device("any", tmp_path / "none") is None


def test_a_device_that_may_not_be_read(tmp_path: Path) -> None:
    with pytest.raises(AirquillError, match="cannot be read"), EventDevice(tmp_path / "event9"):
        pass


def test_clocks_are_tied_by_the_fastest_report() -> None:
    clocks = Clocks()
    assert clocks.on_unit(5) is None
    for sent, took in ((1000, 700), (21_000, 200), (41_000, 900)):
        clocks.sent(sent, 0x51)
        clocks.received(sent + 5_000_000 + took, 0x51)
    # 200 us of the fastest are not seen; the last one came 700 us later than that.
    assert clocks.on_unit(41_000 + 5_000_000 + 900) == 41_700


def test_a_report_that_one_side_missed_ties_nothing_wrongly() -> None:
    clocks = Clocks()
    clocks.sent(1000, 0xE1)  # the PC was not looked at yet
    clocks.sent(2000, 0x2B)
    clocks.received(9_002_000, 0x2B)
    clocks.received(9_050_000, 0x04)  # typed on another keyboard
    assert clocks.on_unit(9_003_000) == 3000


def test_clocks_over_the_wrap() -> None:
    clocks = Clocks()
    clocks.sent((1 << 30) - 1000, 0x51)
    clocks.received(7_000_000, 0x51)
    clocks.sent(500, 0x52)
    clocks.received(7_001_600, 0x52)  # 100 us slower
    assert clocks.on_unit(7_001_600) == 600


def test_a_virtual_units_keys_with_their_latency() -> None:
    with Client.open("sim://") as unit:
        unit.set({"pedal2.tap_keys": encode("Left Shift + Tab")})
        hands = Control.of(unit.port.raw.unit)
        unit.port.sleep(0.3)
        captured = CapturedReports(hands.reports)
        press_us = []

        def received() -> Iterator[KeyEvent]:
            if not press_us:
                press_us.append(hands.press(2, ms=80, bounce="clean"))
            return captured()

        came = list(watch(unit, received, 0.4))
        assert [(one.key.name, one.key.down) for one in came] == [
            ("Left Shift", True), ("Tab", True), ("Tab", False), ("Left Shift", False),
        ]  # fmt: skip
        first, second = came[0], came[1]
        assert first.pedal == second.pedal == 2
        assert first.after_pedal_ms is not None
        # On the world's own clock, which both sides of the test know: less what the fastest report takes.
        truth_ms = (first.key.time_us - press_us[0]) / 1000
        assert truth_ms - 1.0 <= first.after_pedal_ms <= truth_ms
        assert [one.after_pedal_ms for one in came[2:]] == [None, None]
