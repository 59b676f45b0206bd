"""The sensor's code agrees with the registry's factory settings; noise and cut are as stated."""

import tomllib
from pathlib import Path
from statistics import fmean, pstdev

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.pneumatics.sensor import NOISE_KPA, Noise, Sensor

REGISTRY = Path(__file__).parents[2] / "protocol" / "registry.toml"


def factory(path: str) -> float:
    rows = tomllib.loads(REGISTRY.read_text())["settings"]["rows"]
    return next(row["default"] for row in rows if row["path"] == path)


def test_factory_settings_read_right() -> None:
    sensor = Sensor()
    assert sensor.zero_code == factory("sensor.zero_code")
    assert sensor.span_kpa == factory("sensor.span_kpa")


@given(vacuum=st.floats(0.0, 95.0))
def test_code_is_zero_and_span(vacuum: float) -> None:
    sensor = Sensor(noise_kpa=0.0, lag_s=0.0)
    sensor.step(vacuum, 1e-3)
    step = 108.8 / 4096
    assert sensor.code() == pytest.approx(3277 + vacuum / 108.8 * 65536, abs=17)
    assert sensor.reading_kpa() == pytest.approx(vacuum, abs=1.1 * step)


def test_ends_of_the_range() -> None:
    sensor = Sensor(noise_kpa=0.0, lag_s=0.0)
    sensor.step(200.0, 1e-3)
    assert sensor.code() == 65535
    sensor.step(-50.0, 1e-3)
    assert sensor.code() == 0


def test_noise_and_lag() -> None:
    sensor = Sensor(lag_s=0.05)
    for _ in range(50):
        sensor.step(40.0, 1e-3)
    # 1 - 1/e at one time constant, 1 % for the implicit step
    assert sensor.vacuum_kpa == pytest.approx(40.0 * 0.632, rel=0.02)
    for _ in range(1000):
        sensor.step(40.0, 1e-3)
    readings = [sensor.reading_kpa() for _ in range(4000)]
    assert fmean(readings) == pytest.approx(40.0, abs=0.03)
    assert pstdev(readings) == pytest.approx(NOISE_KPA, rel=0.1)


def test_noise_source_against_marsaglia() -> None:
    """xorshift32 with 13, 17, 5 from state 1: 270369, 67634689 (Marsaglia 2003; the values as commonly published)."""
    noise = Noise(0)
    noise._state = 1
    noise.uniform()
    assert noise._state == 270369
    noise.uniform()
    assert noise._state == 67634689


def test_noise_is_even_and_repeats() -> None:
    draws = [Noise(7).uniform() for _ in range(3)]
    assert draws[0] == draws[1] == draws[2]
    noise = Noise(3)
    values = [noise.normal() for _ in range(20000)]
    assert fmean(values) == pytest.approx(0.0, abs=0.03)
    assert pstdev(values) == pytest.approx(1.0, rel=0.02)


def test_bad_values_are_refused() -> None:
    with pytest.raises(ValueError, match="span"):
        Sensor(span_kpa=0.0)
