"""The unit's keyboard at a real Linux kernel: what `keys watch` reads there, and which key the kernel makes of a usage.

A USB device with the unit's own report descriptor, made by the kernel's gadget side (dummy_hcd and f_hid), is plugged
into its host side (usbhid, hid-generic, evdev). This needs root and two kernel modules that few machines have loaded;
`tests/oracles/linux_guest.py` boots a kernel that has them, and runs these tests in it.
"""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from airquill.keys import NAMES, KeyEvent
from airquill.keys.received import EventDevice, event_device
from airquill.link.client import Client
from airquill.simulator.control import Control
from airquill_device import usbkeys
from command_line import AIRQUILL, ENVIRONMENT, Running, end, start_unit
from oracles import test_keys_layouts

GADGETS = Path("/sys/kernel/config/usb_gadget")
CONTROLLERS = Path("/sys/class/udc")
NOTHING = bytes(8)
WAIT_S = 30.0
REPEAT_S = 1.0  # Linux repeats a key from 0.25 s on
PRESSES = 5

pytestmark = pytest.mark.skipif(
    not (os.access(GADGETS, os.W_OK) and CONTROLLERS.is_dir() and any(CONTROLLERS.iterdir())),
    reason="needs root and a kernel with dummy_hcd and usb_f_hid: tests/oracles/linux_guest.py boots one",
)


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A virtual unit at its pseudo-terminal; the USB device has its number."""
    running = start_unit(tmp_path_factory.mktemp("unit"))
    yield running
    end(running)


@pytest.fixture(scope="module")
def chip(unit: Running) -> str:
    with Client.open(unit.port) as client:
        return client.greeting.chip


@pytest.fixture(scope="module")
def to_usb(chip: str) -> Iterator[int]:
    """Where the device side hands a report to USB; a write waits until the host has taken the one before."""
    gadget = GADGETS / "airquill"
    texts, function, config = gadget / "strings/0x409", gadget / "functions/hid.keys", gadget / "configs/c.1"
    for folder in (gadget, texts, function, config):
        folder.mkdir()
    for name, value in (
        ("idVendor", "0x2e8a"), ("idProduct", "0x0005"),
        ("strings/0x409/manufacturer", "home-built"), ("strings/0x409/product", usbkeys.PRODUCT),
        ("strings/0x409/serialnumber", chip.upper()),
        ("functions/hid.keys/protocol", "1"), ("functions/hid.keys/subclass", "1"),
        ("functions/hid.keys/report_length", str(usbkeys.REPORT_BYTES)),
    ):  # fmt: skip
        (gadget / name).write_text(value)
    (function / "report_desc").write_bytes(usbkeys.REPORT_DESCRIPTOR)
    (config / "hid.keys").symlink_to(function)
    (gadget / "UDC").write_text(next(CONTROLLERS.iterdir()).name)
    give_up = time.monotonic() + WAIT_S
    while event_device(chip) is None or not event_device(chip).exists():
        assert time.monotonic() < give_up, "the kernel made no event device of it"
        time.sleep(0.1)
    file = os.open("/dev/hidg0", os.O_WRONLY)
    yield file
    os.close(file)
    (gadget / "UDC").write_text("\n")
    (config / "hid.keys").unlink()
    for folder in (config, function, texts, gadget):
        folder.rmdir()


def report(usage: int) -> bytes:
    if usage >= 0xE0:
        return bytes([1 << usage - 0xE0, *bytes(7)])
    return bytes([0, 0, usage, *bytes(5)])


def take(device: EventDevice, count: int) -> list[KeyEvent]:
    found: list[KeyEvent] = []
    give_up = time.monotonic() + WAIT_S
    while len(found) < count and time.monotonic() < give_up:
        found += device.events(0.2)
    return found


def test_every_key_is_told_by_its_usage(chip: str, to_usb: int) -> None:
    path = event_device(chip)
    assert path is not None
    assert (Path("/sys/class/input") / path.name / "device/name").read_text() == "home-built Airquill\n"
    with EventDevice(path) as device:
        for usage in NAMES:
            began_us = time.monotonic_ns() // 1000
            os.write(to_usb, report(usage))
            os.write(to_usb, NOTHING)
            found = take(device, 2)
            assert [(event.usage, event.down) for event in found] == [(usage, True), (usage, False)], NAMES[usage]
            assert began_us <= found[0].time_us <= found[1].time_us <= time.monotonic_ns() // 1000
        assert list(device.events(0.2)) == []


def test_repeats_are_left_out_and_keys_in_one_report_are_told(chip: str, to_usb: int) -> None:
    path = event_device(chip)
    assert path is not None
    with EventDevice(path) as device:
        os.write(to_usb, bytes([0x02, 0, 0x04, 0x05, 0, 0, 0, 0]))
        down = take(device, 3)
        time.sleep(REPEAT_S)
        os.write(to_usb, NOTHING)
        up = take(device, 3)
    assert {(event.usage, event.down) for event in down} == {(0xE1, True), (0x04, True), (0x05, True)}
    assert {(event.usage, event.down) for event in up} == {(0xE1, False), (0x04, False), (0x05, False)}
    assert len(down + up) == 6


def test_python_evdev_reads_the_same_and_the_kernel_has_our_table(chip: str, to_usb: int) -> None:
    """python-evdev (PyPI) as a second reader. Its key codes are the kernel's, which says whether the table from usages
    to keys, by which the layouts are tested, is right."""
    evdev = pytest.importorskip("evdev", reason="needs python-evdev: pip install evdev")
    path = event_device(chip)
    assert path is not None
    device = evdev.InputDevice(path)
    assert (device.name, device.uniq.casefold()) == ("home-built Airquill", chip.casefold())
    codes: dict[int, int] = {}
    for usage in NAMES:
        os.write(to_usb, report(usage))
        os.write(to_usb, NOTHING)
        seen: list[tuple[int, int, int]] = []
        give_up = time.monotonic() + WAIT_S
        while len(seen) < 6 and time.monotonic() < give_up:
            with suppress(BlockingIOError):
                seen += [(event.type, event.code, event.value) for event in device.read()]
            time.sleep(0.002)
        keys = [event for event in seen if event[0] == evdev.ecodes.EV_KEY and event[2] != 2]
        scans = {event[2] for event in seen if event[:2] == (evdev.ecodes.EV_MSC, evdev.ecodes.MSC_SCAN)}
        assert scans == {0x70000 | usage}
        assert [value for _, _, value in keys] == [1, 0]
        codes[usage] = keys[0][1]
    device.close()
    assert codes[0x51] == evdev.ecodes.KEY_DOWN
    if importlib.util.find_spec("xkbcommon"):
        ours = test_keys_layouts.load().codes
        assert len(ours) > 50
        assert {usage: code - 8 for usage, code in ours.items()} == {usage: codes[usage] for usage in ours}


def test_keys_watch(unit: Running, to_usb: int) -> None:
    """Pedal, unit, reports, kernel, event device, command; a thread carries each report from the unit to USB."""
    over = threading.Event()
    with Client.open(unit.port) as client:
        client.set({"pedal2.tap_keys": bytes.fromhex("11022b")}, keep=True)  # Left Shift + Tab

    def carry() -> None:
        with Control.at(unit.folder / "control") as hands:
            count = len(hands.reports())
            while not over.is_set():
                for _, data in hands.reports(count):
                    os.write(to_usb, data)
                    count += 1
                time.sleep(0.0002)

    carrier = threading.Thread(target=carry)
    carrier.start()
    process = subprocess.Popen(
        [*AIRQUILL, "keys", "watch", "--json", "--port", f"spy://{unit.port}?file={os.devnull}"],
        stdout=subprocess.PIPE, text=True, env={**ENVIRONMENT, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    assert process.stdout is not None
    lines: list[dict[str, object]] = []
    try:
        with Control.at(unit.folder / "control") as hands:
            presses = threading.Thread(target=_press_until, args=(hands, over))
            presses.start()
            for line in process.stdout:
                lines.append(json.loads(line))
                if len(lines) >= 4 * PRESSES:
                    break
    finally:
        over.set()
        process.kill()
        process.wait()
        carrier.join()
        presses.join()
    whole = [(line["key"], line["down"]) for line in lines]
    one = [("Left Shift", True), ("Tab", True), ("Tab", False), ("Left Shift", False)]
    assert whole == one * PRESSES
    for line in lines:
        print(line, file=sys.stderr)
        if line["down"]:
            assert line["pedal"] == 2
            assert float(str(line["after_pedal_ms"])) > 0
            assert float(str(line["within_ms"])) > 0


def _press_until(hands: Control, over: threading.Event) -> None:
    """The command takes a moment to begin, so the first presses may go unseen."""
    while not over.wait(0.8):
        hands.press(2, ms=80, bounce="foot")
