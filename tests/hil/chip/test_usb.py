"""What the PC sees of the chip: enumeration, control requests, sleep, plug, a port that nobody reads."""

from collections.abc import Callable

import pytest

from airquill_hil.chip import Chip
from airquill_hil.chip.descriptors import CLASS_CDC, CLASS_HID, interfaces

pytestmark = pytest.mark.chip
Ask = Callable[[str], str]
Ready = Callable[[Chip], None]
PEDAL = 14


def keyboard(chip: Chip) -> int:
    return next(face.number for face in chip.host.interfaces if face.usb_class == CLASS_HID)


def test_serial_port_and_keyboard_enumerate_together(chip: Chip) -> None:
    assert {face.usb_class for face in chip.host.interfaces} >= {CLASS_CDC, CLASS_HID}
    assert not [stalled for stalled in chip.host.stalled if stalled.request_type == 0x80]


def test_configuration_obeys_usb_2_0(chip: Chip) -> None:
    # USB 2.0, 9.6.3 (total length, interface count) and 9.6.6 (endpoints unique, interrupt interval at least 1).
    head = chip.host.configuration
    assert head[:2] == bytes((9, 2))
    assert head[2] | head[3] << 8 == len(head)
    assert head[4] == len({face.number for face in chip.host.interfaces})
    points = [point for face in chip.host.interfaces for point in face.endpoints]
    assert len({point.address for point in points}) == len(points)
    assert all(point.interval >= 1 for point in points if point.attributes & 3 == 3)
    assert all(point.packet_bytes <= 64 for point in points)  # 5.7.3, 5.8.3: full speed


def test_device_descriptor_obeys_usb_2_0(chip: Chip) -> None:
    # USB 2.0, table 9-8.
    assert len(chip.host.device) == chip.host.device[0] == 18
    assert chip.host.device[7] in (8, 16, 32, 64)
    assert chip.host.device[17] == 1


def test_report_descriptor_parses_with_hid_tools(chip: Chip) -> None:
    hidtools = pytest.importorskip("hidtools.hid")
    parsed = hidtools.ReportDescriptor.from_bytes(list(chip.host.report_descriptors[keyboard(chip)]))
    assert [report.size for report in parsed.input_reports.values()] == [8]  # HID 1.11, appendix B.1


def test_damaged_descriptors_are_refused() -> None:
    with pytest.raises(ValueError, match="byte 9"):
        interfaces(bytes((9, 2, 11, 0, 1, 1, 0, 0x80, 50, 0, 4)))


def test_class_requests_reach_the_guest(chip: Chip, ask: Ask) -> None:
    face = keyboard(chip)
    assert chip.control(0x21, 0x0B, 0, face, 0) == b""  # Set_Protocol: boot
    assert ask("seen") == "(33, 11, 0)"
    assert chip.control(0x21, 9, 0x0200, face, 1, out=b"\x02") == b""  # Set_Report: Caps Lock
    assert ask("leds") == "2"
    assert chip.control(0xA1, 1, 0x0100, face, 8) == bytes(8)  # Get_Report


def test_an_unknown_request_is_stalled_and_the_link_goes_on(chip: Chip, ask: Ask) -> None:
    assert chip.control(0x21, 0x7F, 0, keyboard(chip), 0) is None
    assert ask("still here") == "still here"


def test_key_report_is_taken_at_the_next_frame(chip: Chip) -> None:
    chip.run(0.3)
    chip.press(PEDAL)
    assert chip.run(20, lambda: bool(chip.reports))
    report = chip.reports[0]
    assert report.data == bytes((0, 0, 0x51, 0, 0, 0, 0, 0))
    assert 0 < report.taken_ns - report.queued_ns <= 1_010_000


def test_a_host_that_does_not_poll_gets_the_report_later(chip: Chip) -> None:
    chip.host.stop_key_polls()
    chip.press(PEDAL)
    assert not chip.run(200, lambda: bool(chip.reports))
    chip.host.start_key_polls()
    assert chip.run(5, lambda: bool(chip.reports))


def test_suspend_is_seen_by_the_guest_and_resume_ends_it(chip: Chip, ask: Ask) -> None:
    first, second = (ask("frame").split() for _ in range(2))
    assert first[1] == second[1] == "0"
    assert 0 < (int(second[0]) - int(first[0])) % 2048 < 100
    enumerations = chip.host.enumerations
    chip.host.suspend()
    frozen = chip.mcu.usb_ctrl.read_uint32(0x48)
    chip.press(PEDAL)
    chip.run(200)
    assert chip.level(15) is True  # the guest runs on while the PC sleeps
    assert not chip.reports
    assert chip.mcu.usb_ctrl.read_uint32(0x48) == frozen  # frame number stands still
    assert chip.mcu.usb_ctrl.read_uint32(0x50) >> 4 & 1 == 1  # SIE_STATUS.SUSPENDED
    chip.host.resume()
    chip.run(50)
    assert ask("frame").split()[1] == "0"
    assert chip.host.enumerations == enumerations  # resume is no new enumeration


def test_a_pulled_cable_enumerates_again(chip: Chip, ask: Ask, ready: Ready) -> None:
    enumerations = chip.host.enumerations
    chip.host.unplug()
    chip.run(100)
    assert not chip.host.configured
    chip.host.plug()
    ready(chip)
    assert chip.host.enumerations == enumerations + 1
    assert ask("back again") == "back again"


def test_a_host_that_reads_nothing_blocks_the_guest_and_loses_no_order(chip: Chip, ask: Ask) -> None:
    chip.host.stop_reading()
    chip.send(b"flood 30\n")
    chip.run(500)
    assert not chip.received
    chip.host.start_reading()
    assert chip.run(5000, lambda: b"end\r\n" in chip.received)
    rows = [int(line.split()[1]) for line in chip.lines() if line.startswith("row")]
    assert rows == sorted(rows)


def test_the_guest_leaving_the_bus_enumerates_again(chip: Chip, ask: Ask, ready: Ready) -> None:
    enumerations = chip.host.enumerations
    chip.send(b"leave\n")
    assert chip.run(500, lambda: chip.host.enumerations == enumerations + 1)
    ready(chip)
    assert ask("back again") == "back again"


def test_two_runs_repeat_to_the_nanosecond(new_chip: Callable[[], Chip], ready: Ready) -> None:
    def once() -> list[tuple[float, float, bytes]]:
        chip = new_chip()
        ready(chip)
        chip.press(PEDAL, edges_us=(50, 120, 300, 700))
        chip.run(30)
        return [(report.queued_ns, report.taken_ns, report.data) for report in chip.reports]

    first = once()
    assert first
    assert once() == first
