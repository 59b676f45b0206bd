"""The keyboard's USB descriptors against the standards.

Report descriptor: parsed by hid-tools (PyPI, 0.12), an independent HID parser. Lengths, totals and endpoint rules:
USB 2.0, tables 9-8 to 9-13; HID 1.11, sections 6.2.1 and 7.2, appendices B.1 and E.
"""

from collections.abc import Callable
from typing import Any

import pytest

from airquill_device import usbkeys

# The built-in serial port's part as stock MicroPython sends it: one configuration, two interfaces, endpoints 1 and 2.
# Made here from USB 2.0 chapter 9 and CDC 1.2 (PSTN subclass), 75 bytes.
SERIAL = bytes.fromhex(
    "09 02 4b 00 02 01 00 80 7d"
    "08 0b 00 02 02 02 00 00"
    "09 04 00 00 01 02 02 00 04"
    "05 24 00 20 01"
    "05 24 01 00 01"
    "04 24 02 06"
    "05 24 06 00 01"
    "07 05 81 03 08 00 10"
    "09 04 01 00 02 0a 00 00 00"
    "07 05 02 02 40 00 00"
    "07 05 82 02 40 00 00"
)


class Builtin:
    itf_max, ep_max, str_max = 2, 3, 5
    desc_dev, desc_cfg = bytes(18), SERIAL


class Usb:
    """Records what is asked of the USB device."""

    BUILTIN_CDC = Builtin

    def config(self, device: bytes, configuration: bytes, strings: dict[int, str], *callbacks: Any) -> None:
        self.configuration, self.strings = configuration, strings
        self.opened, self.was_reset, self.control, self.sent = callbacks

    def active(self, _on: bool) -> None:
        self.submitted: list[tuple[int, bytes]] = []

    def submit_xfer(self, endpoint: int, data: bytes) -> bool:
        self.submitted.append((endpoint, bytes(data)))
        return True


def parts(configuration: bytes) -> list[bytes]:
    found, at = [], 0
    while at < len(configuration):
        assert configuration[at] >= 2
        found.append(configuration[at : at + configuration[at]])
        at += configuration[at]
    assert at == len(configuration)  # the lengths add up to the whole
    return found


@pytest.fixture
def usb() -> Usb:
    return Usb()


@pytest.fixture
def keyboard(usb: Usb) -> usbkeys.Keyboard:
    return usbkeys.Keyboard(usb, {0x50110048: 0}, lambda: 0)


def test_the_serial_part_is_as_long_as_the_stock_firmware_s() -> None:
    assert len(SERIAL) == 75
    assert len(parts(SERIAL)) == 11


def test_configuration_follows_usb_2_0(usb: Usb, keyboard: usbkeys.Keyboard) -> None:
    found = parts(usb.configuration)
    head, *rest = found
    assert head[0:2] == b"\x09\x02"
    assert head[2] | head[3] << 8 == len(usb.configuration)  # wTotalLength, table 9-10
    numbers = [part[2] for part in rest if part[1] == 4]
    assert numbers == list(range(head[4]))  # bNumInterfaces; numbers from 0 on, 9.6.5
    assert usb.configuration[9:75] == SERIAL[9:]  # the serial port is untouched
    face, hid, endpoint = found[-3:]
    assert face[:2] == b"\x09\x04" and face[4] == 1  # one endpoint follows
    assert face[5:8] == bytes((3, 1, 1))  # HID, boot interface, keyboard: HID 1.11, 4.1 to 4.3
    assert usb.strings[face[8]]
    assert hid[:2] == b"\x09\x21" and hid[2] | hid[3] << 8 == 0x0111 and hid[5] == 1 and hid[6] == 0x22
    assert hid[7] | hid[8] << 8 == len(usbkeys.REPORT_DESCRIPTOR)
    assert endpoint[:2] == b"\x07\x05" and endpoint[2] & 0x80 and endpoint[3] & 3 == 3  # IN, interrupt
    assert 8 <= endpoint[4] | endpoint[5] << 8 <= 64  # full-speed interrupt: 5.7.3
    assert endpoint[6] == 1  # every frame
    addresses = [part[2] for part in found if part[1] == 5]
    assert len(set(addresses)) == len(addresses)


def test_report_descriptor_by_an_independent_parser(require: Callable[[object, str], None]) -> None:
    try:
        from hidtools.hid import ReportDescriptor
        from hidtools.hut import HUT
    except ImportError:
        ReportDescriptor = None
    require(ReportDescriptor, "needs hid-tools: pip install hid-tools")
    parsed = ReportDescriptor.from_bytes(list(usbkeys.REPORT_DESCRIPTOR))
    (report,) = parsed.input_reports.values()
    assert report.size == usbkeys.REPORT_BYTES
    (lamps,) = parsed.output_reports.values()
    assert lamps.size == 1
    fields = list(report)
    # Boot report, HID 1.11 appendix B.1: eight modifier bits, Left Control first, a reserved byte, six keys.
    bits = [field for field in fields if field.size == 1]
    assert [(field.start, field.usage & 0xFFFF) for field in bits] == [(bit, 0xE0 + bit) for bit in range(8)]
    assert [HUT[7][0xE0 + bit].name for bit in (0, 3, 7)] == ["LeftControl", "Left GUI", "Right GUI"]
    keys = fields[-1]
    assert (keys.start, keys.size, keys.count) == (16, 8, 6)
    f24 = next(usage.usage for usage in HUT[7].values() if usage.name == "F24") & 0xFFFF
    assert keys.logical_max == f24
    assert f24 in [usage & 0xFFFF for usage in keys.usages]
    assert len(keys.usages) == keys.logical_max - keys.logical_min + 1


def test_requests_of_hid_1_11(usb: Usb, keyboard: usbkeys.Keyboard) -> None:
    setup = 1
    ask = usb.control
    assert ask(setup, bytes((0x81, 6, 0, 0x22, 2, 0, 64, 0))) == usbkeys.REPORT_DESCRIPTOR
    assert ask(setup, bytes((0x81, 6, 0, 0x21, 2, 0, 9, 0))) == usbkeys.hid_descriptor()
    assert bytes(ask(setup, bytes((0xA1, 1, 0, 1, 2, 0, 8, 0)))) == bytes(8)
    assert bytes(ask(setup, bytes((0xA1, 3, 0, 0, 2, 0, 1, 0)))) == b"\x01"  # 7.2.6: report protocol at first
    assert ask(setup, bytes((0x21, 11, 0, 0, 2, 0, 0, 0))) is True
    assert bytes(ask(setup, bytes((0xA1, 3, 0, 0, 2, 0, 1, 0)))) == b"\x00"
    assert ask(setup, bytes((0x21, 10, 0, 125, 2, 0, 0, 0))) is True
    assert bytes(ask(setup, bytes((0xA1, 2, 0, 0, 2, 0, 1, 0)))) == b"\x7d"
    ask(setup, bytes((0x21, 9, 0, 2, 2, 0, 1, 0)))[0] = 2  # the host's data lands in what was returned
    assert keyboard.leds() == 2
    assert ask(setup, bytes((0x21, 9, 0, 3, 2, 0, 1, 0))) is False  # there is no feature report
    assert ask(setup, bytes((0xA1, 1, 0, 1, 0, 0, 8, 0))) is False  # another interface


def test_an_unread_report_is_never_replaced(usb: Usb, keyboard: usbkeys.Keyboard) -> None:
    usb.opened(b"")
    assert keyboard.host() == usbkeys.READY
    down, other = bytes((0, 0, 4, 0, 0, 0, 0, 0)), bytes((0, 0, 5, 0, 0, 0, 0, 0))
    assert keyboard.send(down)
    assert not keyboard.send(other)
    keyboard.release()
    assert [data for _, data in usb.submitted] == [down]
    usb.sent(0x83, 0, 8)
    assert [data for _, data in usb.submitted] == [down, bytes(8)]  # all up as soon as the host has read
    assert not keyboard.send(other)
    usb.sent(0x83, 0, 8)
    assert keyboard.send(other)
