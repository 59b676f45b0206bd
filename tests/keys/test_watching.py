"""What `keys watch` shows: Linux key events in the kernel's own form, captured reports, and two clocks tied."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from threading import Thread

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airquill.errors import AirquillError
from airquill.keys import KeyEvent, encode
from airquill.keys.received import EventDevice, event_device
from airquill.keys.watching import DRIFT, LONGEST_US, CapturedReports, Clocks, watch
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
WRAP_US = 1 << 30


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


def tied(*reports: tuple[int, int, int]) -> Clocks:
    """Clocks 5 s apart that know these reports, as (handed over on the unit's clock, us that it took, usage)."""
    clocks = Clocks()
    for sent_us, took_us, usage in reports:
        clocks.sent(sent_us % WRAP_US, usage)
        clocks.received(sent_us + 5_000_000 + took_us, usage)
    return clocks


def test_clocks_are_tied_by_what_all_reports_allow() -> None:
    assert Clocks().on_unit(5) is None
    at = tied((1000, 1000, 0x51)).on_unit(5_002_000)
    assert at == (1750, 750), "a report takes 0 to 1.5 ms, so from 1 to 2.5 ms; and it was 2"
    at = tied((1000, 1000, 0x51), (2000, 200, 0x51), (3000, 1400, 0x51)).on_unit(5_003_000)
    assert at is not None
    assert at[1] == 151, "the times of these differ by 1.2 ms of 1.5; and 0.3 us of drift"
    assert abs(at[0] - 3000) <= at[1]


@settings(max_examples=300)
@given(
    st.lists(st.tuples(st.floats(0.02, 60), st.floats(0, LONGEST_US), st.booleans()), min_size=1, max_size=60),
    st.floats(-DRIFT, DRIFT),
    st.integers(0, WRAP_US),
)
def test_the_truth_lies_within_the_bound(reports: list[tuple[float, float, bool]], drift: float, start_us: int) -> None:
    """Random reports, clocks that drift, and a PC that is sometimes busy for 5 ms."""
    clocks = Clocks()
    clocks.sent(start_us % WRAP_US, 0x51)
    clocks.received(round(1e6 + reports[0][1]), 0x51)
    after_s, idle_s, busy = 0.0, 0.0, 0
    for gap_s, took_us, is_late in reports:
        after_s += gap_s
        idle_s += gap_s
        is_late = is_late and busy < 2 and idle_s < 20  # after a longer pause it might as well be drift
        busy = busy + 1 if is_late else 0
        idle_s = idle_s if is_late else 0.0
        sent_us, truth_us = start_us + after_s * (1 + drift) * 1e6, 1e6 + after_s * 1e6
        clocks.sent(round(sent_us) % WRAP_US, 0x51)
        received_us = round(truth_us + took_us + (5000 + LONGEST_US if is_late else 0))
        clocks.received(received_us, 0x51)
        at = clocks.on_unit(received_us)
        assert at is not None
        wanted_us = sent_us + (received_us - truth_us) * (1 + drift)
        off_us = (at[0] - wanted_us + WRAP_US / 2) % WRAP_US - WRAP_US / 2
        assert abs(off_us) <= at[1] + 3, "and three roundings"
        if not is_late:
            assert at[1] <= LONGEST_US / 2 + 1


def test_a_report_that_one_side_missed_ties_nothing_wrongly() -> None:
    clocks = Clocks()
    clocks.sent(1000, 0xE1)  # the PC was not looked at yet
    clocks.sent(2000, 0x2B)
    clocks.received(9_002_000, 0x2B)
    clocks.received(9_050_000, 0x04)  # typed on another keyboard
    at = clocks.on_unit(9_002_000)
    assert at is not None and at[0] == 2750


def test_a_report_that_never_came_is_forgotten() -> None:
    clocks = Clocks()
    clocks.sent(1000, 0x51, at_s=1.0)
    clocks.forget(2.0)
    assert not clocks.received(5_001_000, 0x51)
    clocks.sent(900_000, 0x51, at_s=2.0)
    assert clocks.received(5_901_000, 0x51)


def test_a_key_that_is_at_the_pc_before_the_units_word() -> None:
    """The event device is faster than the serial line."""
    with Client.open("sim://") as unit:
        hands = Control.of(unit.port.raw.unit)
        unit.port.sleep(0.3)
        captured = CapturedReports(hands.reports)
        asked = []

        def received() -> list[KeyEvent]:
            asked.append(1)
            if len(asked) == 2:
                hands.press(2, ms=80, bounce="clean")
                unit.port.sleep(0.02)  # what the unit says of it is not read yet
            return list(captured())

        came = list(watch(unit, received, 0.5))
    assert [(one.key.name, one.key.down, one.pedal) for one in came] == [
        ("Down Arrow", True, 2), ("Down Arrow", False, None),
    ]  # fmt: skip


@pytest.mark.parametrize("wrong_us", [-400_000, 400_000])
def test_clocks_tied_by_reports_of_different_presses_are_tied_anew(wrong_us: int) -> None:
    presses = [(100_000 * number, 500, 0x51) for number in range(1, 5)]
    at = tied((50_000, wrong_us, 0x51), *presses).on_unit(5_400_500)
    assert at is not None
    assert abs(at[0] - 400_500) <= at[1] <= LONGEST_US / 2 + 1


def test_clocks_over_the_wrap() -> None:
    at = tied((WRAP_US - 1000, 1500, 0x51), (WRAP_US + 500, 0, 0x52)).on_unit(WRAP_US + 5_000_500)
    assert at is not None
    assert at[0] == pytest.approx(500, abs=2)
    assert at[1] <= 2


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
        # On the world's own clock, which both sides of the test know.
        for one in (first, second):
            assert one.after_pedal_ms is not None and one.within_ms is not None
            truth_ms = (one.key.time_us - press_us[0]) / 1000
            assert abs(one.after_pedal_ms - truth_ms) <= one.within_ms <= LONGEST_US / 2000 + 0.01
        assert [one.after_pedal_ms for one in came[2:]] == [None, None]
