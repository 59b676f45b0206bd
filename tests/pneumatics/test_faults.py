"""Each fault at strength 0.3 moves a reading by more than three times its noise, in the stated direction."""

from collections.abc import Callable
from statistics import fmean, pstdev

import pytest

from airquill.pneumatics.air import FAULTS, Air
from airquill.pneumatics.needles import Needle
from airquill.pneumatics.sensor import NOISE_KPA, SENSOR_FAULTS, Sensor

N22, N20 = Needle(22), Needle(20)


def seen(air: Air, sensor: Sensor, conversions: int = 200) -> list[float]:
    readings = []
    for _ in range(conversions):
        air.step(1e-3)
        sensor.step(air.pen_kpa, 1e-3)
        readings.append(sensor.reading_kpa())
    return readings


def level(air: Air, tip: str, duty: float, drive: float, seconds: float = 3.0, needle: Needle = N22) -> float:
    """Mean sensor reading in kPa after a pump start at full drive and some time at the given inputs."""
    air.needle = needle
    air.refresh()
    air.tip, air.valve_drive, air.pump_duty = tip, drive, 1.0
    for _ in range(200):
        air.step(1e-3)
    air.pump_duty = duty
    for _ in range(round(seconds * 1e3)):
        air.step(1e-3)
    return fmean(seen(air, Sensor()))


def sealed(air: Air) -> float:
    return level(air, "sealed", 0.8, 1.0, 4.0)


def opened(air: Air) -> float:
    return level(air, "open", 0.8, 1.0)


def wide_open(air: Air) -> float:
    return level(air, "open", 1.0, 1.0, needle=N20)


def at_rest(air: Air) -> float:
    return level(air, "sealed", 0.4, 0.0)


def idling(air: Air) -> float:
    return level(air, "sealed", 0.4, 1.0)


def during_vent(air: Air) -> float:
    """Vacuum 40 ms after the valve was released, kPa."""
    sealed(air)
    air.valve_drive = 0.0
    for _ in range(40):
        air.step(1e-3)
    return air.pen_kpa


def early(air: Air) -> float:
    """Vacuum 150 ms into a pick with a sealed tip, kPa."""
    air.tip, air.valve_drive, air.pump_duty = "sealed", 1.0, 0.8
    for _ in range(150):
        air.step(1e-3)
    return air.pen_kpa


CASES: list[tuple[str, Callable[[Air], float], int]] = [
    ("tip_clog", opened, +1),  # trade: open level up, sealed fine
    ("filter_clog", wide_open, -1),  # the sensor is on the tip's side of the filter
    ("filter_clog", early, -1),  # trade: slower, ultimate fine
    ("hose_leak", sealed, -1),  # trade: sealed down
    ("pump_wear", sealed, -1),  # trade: both down
    ("pump_wear", opened, -1),
    ("pump_wear", early, -1),  # and slower
    ("pump_stall", idling, -1),
    ("valve_stuck_open", at_rest, +1),
    ("valve_stuck_shut", opened, -1),
    ("valve_slow", during_vent, +1),
    ("supply_sag", opened, -1),
]


@pytest.mark.parametrize(("name", "reading", "direction"), CASES)
def test_fault_shows(name: str, reading: Callable[[Air], float], direction: int) -> None:
    faulty = Air()
    faulty.set_fault(name, 0.3)
    moved = reading(faulty) - reading(Air())
    assert direction * moved > 3.0 * NOISE_KPA


@pytest.mark.parametrize(("name", "reading"), [("tip_clog", sealed), ("filter_clog", sealed)])
def test_fault_leaves_the_sealed_level(name: str, reading: Callable[[Air], float]) -> None:
    """Trade signature: the ultimate vacuum is fine."""
    faulty = Air()
    faulty.set_fault(name, 0.3)
    assert reading(faulty) == pytest.approx(reading(Air()), abs=3.0 * NOISE_KPA)


@pytest.mark.parametrize("name", FAULTS)
def test_fault_grows_and_goes(name: str) -> None:
    """Switchable while running: strength 0 again brings the healthy reading back; every strength runs."""
    reading = next(reading for fault, reading, _ in CASES if fault == name)
    direction = next(direction for fault, _, direction in CASES if fault == name)
    levels = []
    for strength in (0.0, 0.3, 1.0):
        air = Air()
        air.set_fault(name, strength)
        levels.append(direction * reading(air))
    assert levels[0] < levels[1] <= levels[2] + 0.01
    air = Air()
    air.set_fault(name, 0.5)
    reading(air)
    air.set_fault(name, 0.0)
    air.set_vacuum(0.0, 0.0, 0.0)
    air.pump.speed = 0.0
    air.valve_drive = 0.0
    for _ in range(500):
        air.step(1e-3)
    assert direction * reading(air) == pytest.approx(levels[0], abs=3.0 * NOISE_KPA)


def test_every_fault_has_a_case() -> None:
    assert {name for name, _, _ in CASES} == set(FAULTS)
    assert set(SENSOR_FAULTS) == {"sensor_drift", "sensor_dead", "sensor_noisy"}


def test_supply_sag_shows_in_the_supply() -> None:
    air = Air()
    air.set_fault("supply_sag", 0.3)
    assert air.supply_now == pytest.approx(10.56)


def test_sensor_faults() -> None:
    def readings(name: str = "", strength: float = 0.0) -> list[float]:
        sensor = Sensor()
        if name:
            sensor.set_fault(name, strength)
        return seen(Air(), sensor, 500)

    healthy = readings()
    assert fmean(readings("sensor_drift", 0.3)) - fmean(healthy) > 3.0 * NOISE_KPA
    assert fmean(readings("sensor_dead", 0.3)) - fmean(healthy) < -3.0 * NOISE_KPA
    assert pstdev(readings("sensor_noisy", 0.3)) > 3.0 * pstdev(healthy)
    dead = Sensor()
    dead.set_fault("sensor_dead", 1.0)
    assert dead.code() == 0
    with pytest.raises(ValueError, match="no fault"):
        dead.set_fault("tip_clog", 0.1)
