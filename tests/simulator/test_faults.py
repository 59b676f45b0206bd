"""Every fault of the virtual unit, at strength 0.3, moves a reading by more than three times its noise.

One row a fault: the way of working in which it shows, the reading, and the direction. The readings are the unit's own
wherever it has one, else what a bench beside it would note. Directions of the air's faults: the trade's signatures
(computed: a clogged tip raises the open level and leaves the sealed one; a leak lowers the sealed one; a weak pump
lowers both; filter or hose make it slower). The others: common practice, no source.
"""

from functools import cache
from statistics import fmean, stdev
from typing import Any, NamedTuple

import pytest
import serial

from airquill.link.client import Client
from airquill.link.problems import LinkLost, Refused
from airquill.simulator.control import Control
from airquill.simulator.world import FAULTS
from simulator.line import Line

STRENGTH = 0.3
HEALTHY_SEEDS = (11, 12, 13, 14)
FAULTY_SEEDS = (21, 22)
POWER_CUT = "power_cut_at_write"  # happens once, at a write of a number, so it has no strength


class Row(NamedTuple):
    fault: str
    way: str
    reading: str
    direction: int
    resolution: float
    """The least step of the reading: the noise counts as no less."""


ROWS = (
    Row("tip_clog", "pick_open", "open_kpa", +1, 0.05),
    Row("filter_clog", "pick_wide", "open_kpa", -1, 0.05),  # the sensor is on the tip's side of the filter
    Row("hose_leak", "pick_sealed", "sealed_kpa", -1, 0.05),
    Row("pump_wear", "pick_sealed", "sealed_kpa", -1, 0.05),
    Row("pump_wear", "pick_open", "open_kpa", -1, 0.05),
    Row("pump_wear", "pick_sealed", "to_30_kpa_ms", +1, 2.0),
    Row("pump_stall", "pick_weak", "sealed_kpa", -1, 0.05),
    Row("valve_stuck_open", "pick_sealed", "rest_kpa", +1, 0.05),
    Row("valve_stuck_shut", "pick_open", "open_kpa", -1, 0.05),
    Row("valve_slow", "pick_sealed", "to_5_kpa_ms", +1, 2.0),
    Row("supply_sag", "pick_open", "supply_volts", -1, 0.01),
    Row("sensor_drift", "rest", "code", +1, 16.0),
    Row("sensor_dead", "rest", "code", -1, 16.0),
    Row("sensor_noisy", "rest", "noise_kpa", +1, 0.01),
    Row("pedal_bounce", "taps", "latency_ms", +1, 1.0),
    Row("pedal_chatter", "taps", "presses", +1, 1.0),
    Row("cable_open", "taps", "presses", +1, 1.0),
    Row("cable_short", "rest", "presses", +1, 1.0),
    Row("pwm_pickup", "taps", "presses", -1, 1.0),
    Row("serial_unread", "requests", "longest_reply_ms", +1, 1.0),
    Row("serial_flip", "requests", "bad_lines", +1, 1.0),
    Row("serial_drop", "requests", "bad_lines", +1, 1.0),
    Row("serial_double", "requests", "bad_lines", +1, 1.0),
    Row("usb_suspend", "taps", "strokes_dropped", +1, 1.0),
    Row("usb_suspend", "taps", "reports", -1, 1.0),
    Row("usb_unplug", "taps", "strokes_dropped", +1, 1.0),
    Row("usb_unplug", "taps", "reports", -1, 1.0),
    Row("flash_wear", "saves", "failed_saves", +1, 1.0),
    Row("erase_stall", "saves", "longest_pass_us", +1, 100.0),
    Row(POWER_CUT, "saves", "unit_off", +1, 0.1),
)


class Bench:
    """A running unit that gets a fault."""

    def __init__(self, fault: str, seed: int) -> None:
        self.unit = Client.open(f"sim://?seed={seed}")
        self.hands = Control.of(self.unit.port.raw.unit)  # type: ignore[attr-defined]
        self.fault = fault

    def spoil(self) -> None:
        """Now, while it runs."""
        if self.fault in FAULTS:
            self.hands.fault(self.fault, STRENGTH)

    def mend(self) -> None:
        if self.fault in FAULTS:
            self.hands.fault(self.fault, 0.0)

    def get(self, path: str) -> float:
        return float(self.unit.get(path)[path])  # type: ignore[arg-type]

    def mean(self, path: str) -> float:
        values = []
        for _ in range(20):
            values.append(self.get(path))
            self.hands.sleep(0.02)
        return fmean(values)


def gauge(bench: Bench, seconds: float, every_s: float = 2e-3) -> tuple[list[float], list[float]]:
    """Times in ms and vacuum in kPa on a gauge beside the sensor, from now on."""
    begun = bench.hands.clock()
    at_ms, kpa = [], []
    while bench.hands.clock() < begun + seconds:
        bench.hands.sleep(every_s)
        at_ms.append((bench.hands.clock() - begun) * 1e3)
        kpa.append(float(bench.hands.truth()["pen_kpa"]))
    return at_ms, kpa


def pick(bench: Bench, tip: str, strength_pct: int) -> dict[str, float]:
    """Vacuum on for 2.5 s, then off: levels by the unit's sensor, times by a gauge."""
    bench.hands.tip(tip)
    bench.unit.do("strength", strength_pct)
    bench.spoil()
    bench.unit.do("pick")
    at_ms, kpa = gauge(bench, 2.5)
    seen = {"to_30_kpa_ms": next((at for at, now in zip(at_ms, kpa, strict=True) if now > 30.0), 2500.0)}
    seen["open_kpa" if tip == "open" else "sealed_kpa"] = bench.mean("vacuum.kpa")
    bench.unit.do("release")
    at_ms, kpa = gauge(bench, 1.0)
    seen["to_5_kpa_ms"] = next((at for at, now in zip(at_ms, kpa, strict=True) if now < 5.0), 1000.0)
    seen["rest_kpa"] = bench.mean("vacuum.kpa")
    seen["supply_volts"] = bench.mean("supply.volts")
    return seen


def pick_open(bench: Bench) -> dict[str, float]:
    return pick(bench, "open", 80)


def pick_wide(bench: Bench) -> dict[str, float]:
    """A wide needle: here the filter's drop counts."""
    bench.hands.needle(18)
    return pick(bench, "open", 100)


def pick_sealed(bench: Bench) -> dict[str, float]:
    return pick(bench, "sealed", 80)


def pick_weak(bench: Bench) -> dict[str, float]:
    return pick(bench, "sealed", 45)


def rest(bench: Bench) -> dict[str, float]:
    bench.spoil()
    bench.hands.sleep(3.0)
    return {
        "code": bench.mean("sensor.code"),
        "noise_kpa": bench.get("sensor.noise_kpa"),
        "presses": bench.get("pedal2.presses"),
    }


def taps(bench: Bench) -> dict[str, float]:
    """Forty taps of 200 ms on the second pedal, with the pump running."""
    bench.unit.do("pick")
    bench.hands.sleep(0.5)
    bench.spoil()
    late = []
    for _ in range(40):
        before = len(bench.hands.reports())
        us = bench.hands.press(2, ms=200)
        bench.hands.sleep(0.47)
        down = [at for at, report in bench.hands.reports(before) if any(report)]
        if down:
            late.append((down[0] - us) / 1000)
    bench.mend()
    bench.hands.sleep(1)
    return {
        "latency_ms": fmean(late) if late else 0.0,
        "presses": bench.get("pedal2.presses"),
        "strokes_dropped": bench.get("keys.dropped"),
        "reports": float(sum(any(report) for _, report in bench.hands.reports())),
    }


def requests(bench: Bench) -> dict[str, float]:
    """Eighty requests on a line that is tried again by nobody."""
    port = bench.unit.port.raw
    line = Line(port)
    bench.spoil()
    port.timeout = 20 if bench.fault == "serial_unread" else 0.2
    longest = 0.0
    for _ in range(80):
        begun = bench.hands.clock()
        try:
            line.ask("get pump.pwm_hz pump.kick_ms pump.ramp_ms pump.floor_pct")
            longest = max(longest, bench.hands.clock() - begun)
        except AssertionError:  # a spoilt line or its spoilt reply
            port.reset_input_buffer()
            port.write(b"\n")
        bench.hands.sleep(0.1)
    bench.mend()
    bench.hands.sleep(0.2)
    bench.unit.greet_again()
    return {"longest_reply_ms": longest * 1e3, "bad_lines": bench.get("link.bad_lines")}


def saves(bench: Bench) -> dict[str, float]:
    bench.get("loop.tick_us")
    bench.spoil()
    if bench.fault == POWER_CUT:
        bench.hands.cut_at_write(7)
    failed = 0
    for n in range(40):
        try:
            bench.unit.set({"pump.ramp_ms": n})
            bench.unit.save()
        except Refused as error:
            assert error.word == "flash_failed"
            failed += 1
        except LinkLost:
            break
    is_on = bench.unit.port.raw.unit.is_on  # type: ignore[attr-defined]
    return {
        "unit_off": float(not is_on),
        "failed_saves": float(failed),
        "longest_pass_us": bench.get("loop.tick_us") if is_on else 0.0,
    }


WAYS = {way.__name__: way for way in (pick_open, pick_wide, pick_sealed, pick_weak, rest, taps, requests, saves)}


@cache
def seen(way: str, fault: str, seed: int) -> dict[str, float]:
    return WAYS[way](Bench(fault, seed))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.fault}-{row.reading}")
def test_a_fault_of_0_3_moves_a_reading_by_three_times_its_noise(row: Row, record_property) -> None:
    healthy = [seen(row.way, "", seed)[row.reading] for seed in HEALTHY_SEEDS]
    noise = max(stdev(healthy), row.resolution)
    for seed in FAULTY_SEEDS:
        moved = seen(row.way, row.fault, seed)[row.reading] - fmean(healthy)
        record_property(f"noises_{seed}", round(moved / noise, 1))
        assert row.direction * moved > 3.0 * noise, f"{row.reading}: {fmean(healthy):g}, moved by {moved:g}"


@pytest.mark.parametrize(
    ("fault", "way", "reading"),
    [("tip_clog", "pick_sealed", "sealed_kpa"), ("filter_clog", "pick_sealed", "sealed_kpa")],
)
def test_what_a_fault_leaves_alone(fault: str, way: str, reading: str) -> None:
    """The trade's signature of a clog, of tip or filter: the sealed level is fine."""
    healthy = [seen(way, "", seed)[reading] for seed in HEALTHY_SEEDS]
    noise = max(stdev(healthy), 0.05)
    assert seen(way, fault, FAULTY_SEEDS[0])[reading] == pytest.approx(fmean(healthy), abs=3.0 * noise)


def test_a_healthy_unit_counts_every_tap_once() -> None:
    counted = seen("taps", "", HEALTHY_SEEDS[0])
    assert (counted["presses"], counted["strokes_dropped"], counted["reports"]) == (40, 0, 40)


def test_every_fault_has_its_row() -> None:
    assert {row.fault for row in ROWS} == {*FAULTS, POWER_CUT}


@pytest.mark.parametrize("fault", FAULTS)
def test_an_address_switches_a_fault_on_and_the_control_channel_changes_it(fault: str) -> None:
    port: Any = serial.serial_for_url(f"sim://?fault={fault}:0.25")
    hands = Control.of(port.unit)
    assert {name: strength for name, strength in hands.faults().items() if strength} == {fault: 0.25}
    hands.sleep(0.01)
    hands.fault(fault, 0.5)
    assert hands.faults()[fault] == 0.5
    hands.fault(fault, 0.0)
    assert not any(hands.faults().values())
