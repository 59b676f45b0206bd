"""How long an acceptance takes: on a virtual unit in this process, many of them side by side, a unit at a port, a chip.

python tests/benchmarks/acceptance.py
python tests/benchmarks/acceptance.py --units 100 --workers 2
python tests/benchmarks/acceptance.py --port bench/port           a unit in real time, such as `airquill sim run`'s
python tests/benchmarks/acceptance.py --stock-uf2 RPI_PICO.uf2    the firmware on an emulated RP2040
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
for folder in ("host", "protocol", "device", "hil", "tests"):
    sys.path.insert(0, str(ROOT / folder))

from airquill.link.client import Client  # noqa: E402
from airquill_hil.bench import Bench  # noqa: E402
from airquill_hil.checks import CHECKS, chosen_checks  # noqa: E402
from airquill_hil.limits import Outcome, load_limits  # noqa: E402
from airquill_hil.opening import opened_bench  # noqa: E402
from airquill_hil.record import CheckRecord, Record  # noqa: E402
from airquill_hil.rig import Drive, Gates  # noqa: E402
from airquill_hil.run import run  # noqa: E402
from benchmarks.heading import heading  # noqa: E402

SERIAL = "HEATHER-07"
# What can be seen on a chip that has no air at its sensor and no hands at its knob.
ON_THE_CHIP = ("identity", "supply", "pwm", "start", "valve", "preset", "latency", "fail_safe", "link", "stuck")


class ChipRig:
    """What a rig would see of an emulated chip: registers and pins of the gates; it presses pedals."""

    abilities: tuple[str, ...] = ("gates", "presses")
    says = {"board": "emulator"}

    def __init__(self, unit: object) -> None:
        from airquill_hil.chip.unit import Unit

        assert isinstance(unit, Unit)
        self._unit, self._chip = unit, unit.chip
        self._logs = (self._chip.pwm_log(unit.pump), self._chip.pwm_log(unit.valve))
        self._begun = (0.0, 0.0, 0.0)

    def _duty(self, pin: int) -> float:
        pwm = self._chip.pwm(pin)
        return pwm.duty if pwm.enabled else float(bool(self._chip.level(pin)))

    def gates(self) -> Gates:
        pump, valve = self._unit.pump, self._unit.valve
        return Gates(
            self._chip.pwm(pump).frequency_hz,
            self._duty(pump),
            self._chip.pwm(valve).frequency_hz,
            self._duty(valve),
        )

    def record(self) -> None:
        for log in self._logs:
            log.changes.clear()
        self._begun = (self._chip.ns, self._duty(self._unit.pump), self._duty(self._unit.valve))

    def drives(self) -> list[Drive]:
        at, pump, valve = self._begun
        found = [Drive(round(at / 1000), pump, valve)]
        changes = [(ns, n, pwm.duty) for n, log in enumerate(self._logs) for ns, pwm in log.changes]
        for ns, n, duty in sorted(changes):
            pump, valve = (duty, valve) if n == 0 else (pump, duty)
            if (pump, valve) != (found[-1].pump, found[-1].valve):
                found.append(Drive(round(ns / 1000), pump, valve))
        return found

    def press(self, pedal: int, ms: int, bounce: Sequence[int] = ()) -> int:
        pin, now_us = self._unit.pedals[pedal - 1], self._chip.ns / 1000
        self._chip.press(pin, bounce)
        self._chip.at(ms, lambda: self._chip.release(pin, bounce))
        return round(now_us)

    def rest(self) -> None:
        """Pedals come up by themselves."""


def in_this_process() -> tuple[Record, float, float, float]:
    """A run of all checks: its record, wall time, processor time and the unit's own time in s."""
    limits = load_limits()
    with Client.open("sim://") as unit:
        unit.set({"unit.serial": SERIAL}, keep=True)
        begun = time.monotonic(), time.process_time(), unit.port.now()
        with opened_bench(unit, limits, SERIAL, 0.0, None, None) as bench:
            record = run(bench)
        return record, time.monotonic() - begun[0], time.process_time() - begun[1], unit.port.now() - begun[2]


def side_by_side(units: int, workers: int) -> tuple[int, float, float]:
    """Units in processes of their own by pytest-xdist: how many records they left, wall and processor time in s."""
    named = [word for n in range(1, units + 1) for word in ("--unit", f"sim://H{n}")]
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "pytest", "-q", "-p", "airquill_hil.plugin", "-p", "no:cacheprovider"]
        command += ["--pyargs", "airquill_hil", *named, "-n", str(workers), "--out", folder]
        path = ":".join(str(ROOT / name) for name in ("host", "protocol", "device", "hil"))
        begun = time.monotonic()
        done = subprocess.run(
            command, cwd=folder, env={"PYTHONPATH": path}, capture_output=True, text=True, check=False
        )
        took_s = time.monotonic() - begun
        left = len(list(Path(folder).glob("*.json")))
        if left != units:
            print(done.stdout[-2000:], done.stderr[-2000:])
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        return left, took_s, used.ru_utime + used.ru_stime


def on_the_chip(stock: Path, names: Sequence[str]) -> tuple[Record, float, float]:
    """The checks that an emulated chip can show: record, processor time and emulated time in s."""
    from airquill_hil.chip.unit import Image, Unit

    with closing(Image(stock)) as image:
        unit = Unit(image)
        unit.client.set({"unit.serial": SERIAL}, keep=True)
        begun = time.process_time(), unit.chip.ns

        def used() -> tuple[float, float]:
            return time.process_time() - begun[0], (unit.chip.ns - begun[1]) / 1e9

        def done(check: CheckRecord) -> None:
            figures = ", ".join(f"{one.name} {one.shown}" for one in check.figures)
            so_far = "{:.0f} s of processor, {:.1f} s emulated so far".format(*used())
            print(f"  {check.outcome} {check.title}: {figures} ({so_far})", flush=True)

        bench = Bench(unit.client, load_limits(), None, SERIAL, 0.0, ChipRig(unit))  # type: ignore[arg-type]
        record = run(bench, checks=chosen_checks(names), whole=False, on_done=done)
        return (record, *used())


def main() -> None:
    """Print what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--units", type=int, default=0, help="so many side by side")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--port", default="")
    parser.add_argument("--stock-uf2", type=Path, default=None)
    parser.add_argument("--only", action="append", default=[], help="on the chip: these checks")
    wanted = parser.parse_args()
    heading()
    print(f"{len(CHECKS)} checks, {sum(len(check.figures) for check in CHECKS)} figures")
    if wanted.stock_uf2:
        record, process_s, emulated_s = on_the_chip(wanted.stock_uf2, wanted.only or ON_THE_CHIP)
        passed = sum(one.outcome is Outcome.PASS for one in record.checks)
        print(f"emulated chip: {passed} of {len(record.checks)} passed, {emulated_s:.1f} s emulated, ", end="")
        print(f"{process_s:.0f} s of processor")
    elif wanted.port:
        begun = time.monotonic()
        with Client.open(wanted.port) as unit:
            unit.set({"unit.serial": SERIAL}, keep=True)
            with opened_bench(unit, load_limits(), SERIAL, 0.0, None, None) as bench:
                record = run(bench)
        print(f"{wanted.port}: {record.verdict} in {time.monotonic() - begun:.0f} s. {record.sentence}")
    elif wanted.units:
        left, took_s, process_s = side_by_side(wanted.units, wanted.workers)
        print(f"{left} records by {wanted.workers} processes: {took_s:.0f} s, {process_s:.0f} s of processor")
    else:
        record, wall_s, process_s, unit_s = in_this_process()
        print(
            f"sim://: {record.verdict}, {wall_s:.1f} s, {process_s:.1f} s of processor, "
            f"{unit_s:.0f} s of the unit's time"
        )


if __name__ == "__main__":
    main()
