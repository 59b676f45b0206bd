"""The chip's serial port as pyserial sees it: in this process by URL, and as a pty in real time."""

import threading
import time
from collections.abc import Callable, Iterator

import pytest
import serial

import airquill_hil.chip  # noqa: F401  teaches pyserial the address
from airquill_hil.chip import Chip
from airquill_hil.chip.bridge import PtyBridge
from airquill_hil.chip.protocol_chip import url_of

pytestmark = pytest.mark.chip
Ready = Callable[[Chip], None]
PATIENCE_S = 60.0  # a guard against a hang only: what is waited for takes a second or two of a free machine


@pytest.fixture
def port(chip: Chip) -> Iterator[serial.SerialBase]:
    """The shared chip's port, opened by its URL."""
    chip.host.close_port()
    chip.run(5)
    with serial.serial_for_url(url_of(chip), timeout=1) as opened:
        yield opened
    chip.on_serial = None
    chip.host.open_when_ready = True
    chip.host.open_port()
    chip.run(5)


def test_lines_go_both_ways_in_emulated_time(port: serial.SerialBase, chip: Chip) -> None:
    start = chip.ms
    port.write(b"hello there\n")
    assert port.readline() == b"hello there\r\n"
    assert 0 < chip.ms - start < 50


def test_read_times_out_in_emulated_time(port: serial.SerialBase, chip: Chip) -> None:
    start = chip.ms
    assert port.read(1) == b""
    assert chip.ms - start == pytest.approx(1000)
    assert port.clock() == pytest.approx(chip.ms / 1000)


def test_polling_without_waiting_lets_time_pass(port: serial.SerialBase) -> None:
    port.write(b"some more\n")
    for _ in range(1000):
        if port.in_waiting >= 11:
            break
    assert port.read(11) == b"some more\r\n"


def test_a_program_that_is_not_read_from_waits(port: serial.SerialBase, chip: Chip, ready: Ready) -> None:
    port.write_timeout = 0.05
    chip.host.suspend()
    chip.run(10)
    with pytest.raises(serial.SerialTimeoutException):
        port.write(b"x" * 8192)
    port.reset_output_buffer()
    chip.host.resume()
    chip.run(50)


def test_a_restart_is_told_and_the_port_opens_again(port: serial.SerialBase, chip: Chip) -> None:
    chip.reset()
    with pytest.raises(serial.SerialException, match="open the port again"):
        port.read(1)
    port.close()
    port.open()
    port.timeout = 2
    port.write(b"\nagain\n")
    assert b"again" in port.read_until(b"again\r\n")


def test_one_program_at_a_time(port: serial.SerialBase, chip: Chip) -> None:
    with pytest.raises(serial.SerialException, match="Another program"):
        serial.serial_for_url(url_of(chip))


@pytest.mark.parametrize("url", ["chip://", "chip://?uf2=/nowhere.uf2", "chip://?bench=1", "chip://?speed=3"])
def test_a_wrong_address_is_refused_with_a_sentence(url: str) -> None:
    with pytest.raises(serial.SerialException, match=r"\.$"):
        serial.serial_for_url(url)


def test_a_pty_carries_the_port_and_its_opening(new_chip: Callable[[], Chip]) -> None:
    chip = new_chip()
    bridge = PtyBridge(chip)
    thread = threading.Thread(target=bridge.serve)
    thread.start()
    try:
        with serial.Serial(bridge.path, timeout=PATIENCE_S) as port:
            port.write(b"\nover a pty\n")
            assert port.read_until(b"over a pty\r\n").endswith(b"over a pty\r\n")
            assert chip.host.port_open
            bridge.call(lambda: chip.press(14))
            wait_for(lambda: bool(chip.reports))
        wait_for(lambda: not chip.host.port_open)
    finally:
        bridge.stop()
        thread.join()


def wait_for(what: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not what():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.01)
