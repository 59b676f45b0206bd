"""The built image on the emulated chip: what only the chip can show of it."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from airquill_hil.chip import Chip
from airquill_hil.chip.descriptors import CLASS_HID
from airquill_hil.chip.unit import Image, Unit

pytestmark = [pytest.mark.chip, pytest.mark.slow]
DOWN_ARROW = 0x51  # HID Usage Tables 1.4, page 0x07


@pytest.fixture(scope="module")
def unit(stock_uf2: Path) -> Iterator[Unit]:
    """A running unit, shared: booting it takes most of the time."""
    with closing(Image(stock_uf2)) as image:
        yield Unit(image)


def test_gates_are_low_from_the_first_instruction_on(stock_uf2: Path) -> None:
    with closing(Image(stock_uf2)) as image:
        chip = Chip(image.path)
        plan = image.wiring()
        edges = [chip.edges(plan[name]) for name in ("pump", "valve")]
        chip.boot()
        assert [edge for noted in edges for edge in noted.list] == []
        assert chip.level(plan["pump"]) is False
        assert chip.level(plan["valve"]) is False


def test_the_unit_greets(unit: Unit) -> None:
    assert "keyboard" in unit.client.greeting.capabilities
    assert unit.client.greeting.cause == "power"
    assert unit.number("fault.active") == 0


def test_descriptors_keep_to_usb_and_hid(unit: Unit) -> None:
    host = unit.chip.host
    assert host.configuration[2] | host.configuration[3] << 8 == len(host.configuration)  # USB 2.0, 9.6.3
    keyboard = next(face for face in host.interfaces if face.usb_class == CLASS_HID)
    assert (keyboard.subclass, keyboard.protocol) == (1, 1)  # HID 1.11, 4.2 and 4.3: boot keyboard
    assert keyboard.endpoints[0].interval == 1
    assert keyboard.endpoints[0].attributes & 3 == 3
    hidtools = pytest.importorskip("hidtools.hid")
    parsed = hidtools.ReportDescriptor.from_bytes(list(host.report_descriptors[keyboard.number]))
    assert [report.size for report in parsed.input_reports.values()] == [8]
    assert [report.size for report in parsed.output_reports.values()] == [1]


@pytest.mark.parametrize(
    "edges_us",
    [
        (),
        # Mean 1.6 ms and longest 6.2 ms of 18 switches in one published survey (second-hand).
        (100, 400, 500, 1600),
        (200, 700, 1500, 2600, 3900, 6200),
    ],
)
def test_a_bouncing_press_is_one_press_and_one_stroke(unit: Unit, edges_us: tuple[float, ...]) -> None:
    chip, pedal = unit.chip, unit.pedals[1]
    before = unit.number("pedal2.presses")
    chip.reports.clear()
    chip.press(pedal, edges_us)
    unit.settle(100)
    chip.release(pedal, edges_us)
    unit.settle(150)
    assert unit.number("pedal2.presses") == before + 1
    assert [report.data[2] for report in chip.reports] == [DOWN_ARROW, 0]


def test_no_key_is_sent_to_a_sleeping_host(unit: Unit) -> None:
    chip, pedal = unit.chip, unit.pedals[1]
    dropped = unit.number("keys.dropped")
    chip.host.suspend()
    chip.run(20)
    chip.reports.clear()
    chip.press(pedal)
    chip.run(100)
    chip.release(pedal)
    chip.run(100)
    assert not chip.reports
    chip.host.resume()
    chip.run(100)
    assert [any(report.data) for report in chip.reports] in ([], [False])
    assert unit.number("keys.dropped") == dropped + 1
    assert str(unit.client.get("keys.host")["keys.host"]) == "ready"


def test_a_host_that_reads_nothing_does_not_restart_the_unit(unit: Unit) -> None:
    chip = unit.chip
    unit.client.listen("pedal")
    unit.client.stream(10, "loop.uptime_s")
    starts = chip.starts
    chip.host.stop_reading()
    chip.run(2500)
    chip.host.start_reading()
    unit.client.stream(0)
    unit.client.listen()
    assert chip.starts == starts
    assert unit.number("link.dropped") > 0


def test_a_power_cut_lets_go_of_pump_and_valve(unit: Unit) -> None:
    chip = unit.chip
    chip.press(unit.pedals[0])
    unit.settle(500)
    assert chip.pwm(unit.pump).duty > 0
    assert chip.pwm(unit.valve).duty > 0
    chip.cut_power()
    assert chip.level(unit.pump) is None
    chip.release(unit.pedals[0])
    chip.power_up()
    assert unit.client.wait_for_restart().cause == "power"
