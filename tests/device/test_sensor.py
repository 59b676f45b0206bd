"""The sensor: scale, filter, noise, range."""

import math
import random
import statistics

import numpy as np
import pytest
from scipy import signal

from airquill_protocol import tables as t
from device.fake_board import ZERO_CODE, FakeBoard, Unit, code_of


@pytest.fixture
def unit():
    unit = Unit()
    unit.set(t.SENSOR_FILTER_MS, 0)
    return unit


@pytest.mark.parametrize("kpa", [0, 1, 500, 3000, 6553, 10000, -200])
def test_scale(unit, kpa):
    unit.board.code = code_of(kpa)
    unit.run(10)
    assert unit.sensor.kpa == pytest.approx(kpa, abs=1)


@pytest.mark.parametrize(("zero", "span"), [(0, 1000), (65535, 40000), (0, 40000), (32768, 20000)])
def test_scale_at_the_ends_of_its_settings(unit, zero, span):
    unit.set(t.SENSOR_ZERO_CODE, zero)
    unit.set(t.SENSOR_SPAN_KPA, span)
    for code in (400, 20000, 65000):
        unit.board.code = code
        unit.run(10)
        assert unit.sensor.kpa == pytest.approx((code - zero) * span / 65536, abs=0.0001 * span + 1)


@pytest.mark.parametrize("filter_ms", [5, 10, 100, 500])
def test_filter_is_first_order(unit, filter_ms):
    """Against scipy.signal.lfilter with the same backward-Euler coefficient, sampled every 4 ms."""
    unit.set(t.SENSOR_FILTER_MS, filter_ms)
    unit.run(32)
    unit.board.code = code_of(6000)
    got = []
    for _ in range(400):
        unit.run(4)
        got.append(unit.sensor.kpa)
    share = 4 / (filter_ms + 4)
    expected = signal.lfilter([share], [1, share - 1], np.full(400, 6000.0))
    # The coefficient is rounded down to 1024ths: at 500 ms that is 2 %.
    assert got == pytest.approx(expected, abs=70)
    # 63.2 % after one time constant, within the sampling and rounding.
    reached_ms = next(i for i, kpa in enumerate(got) if kpa >= 6000 * (1 - math.exp(-1))) * 4
    assert reached_ms == pytest.approx(filter_ms, abs=8 + 0.04 * filter_ms)


def test_a_slow_filter_leaves_no_rest(unit):
    unit.set(t.SENSOR_FILTER_MS, 500)
    unit.run(10)
    for kpa in (3000, 10, 0):
        unit.board.code = code_of(kpa)
        unit.run(10_000)
        assert unit.sensor.kpa == pytest.approx(kpa, abs=1)


@pytest.mark.parametrize("sigma", [0, 3, 30, 300])
def test_noise_is_the_standard_deviation(unit, sigma):
    """Against statistics.pstdev of the same samples."""
    random.seed(7)
    values = []
    unit.board.code = code_of(3000)
    unit.run(1500)
    unit.sensor.second()
    for _ in range(240):
        values.append(3000 + random.gauss(0, sigma))
        unit.board.code = code_of(round(values[-1]))
        for _ in range(4):
            unit.board.pass_on(1000)
            unit.tick()
    unit.sensor.second()
    assert unit.sensor.noise == pytest.approx(statistics.pstdev(values), rel=0.02, abs=1)


def test_steady_noise_leaves_picks_out():
    unit = Unit()
    random.seed(3)
    for second in range(12):
        if second == 6:
            unit.sensor.disturb()
            unit.board.code = code_of(6000)
        base = 6000 if second >= 6 else 0
        for _ in range(1000):
            unit.board.code = code_of(base + round(random.gauss(0, 20)))
            unit.run(1)
    assert unit.sensor.steady_noise == pytest.approx(20, abs=4)


@pytest.mark.parametrize("code", [0, 300, 65300, 65535, -1])
def test_out_of_range_is_a_fault_after_a_moment(unit, code):
    unit.run(10)
    unit.board.code = code
    unit.run(90)
    assert not unit.stopped
    unit.run(30)
    assert unit.fault_number == t.F_SENSOR_RANGE
    assert unit.sensor.out_of_range()
    unit.board.code = ZERO_CODE
    unit.run(10)
    assert not unit.sensor.out_of_range()


def test_one_missing_answer_is_none(unit):
    for _ in range(50):
        unit.board.code = -1
        unit.run(6)
        unit.board.code = ZERO_CODE
        unit.run(6)
    assert not unit.stopped


def test_a_unit_without_a_sensor_asks_none():
    unit = Unit(FakeBoard(capabilities=("keyboard",)))
    unit.board.code = -1
    unit.run(2000)
    assert not unit.stopped
    assert not unit.sensor.present


def test_zero(unit):
    unit.board.code = 4000
    unit.run(20)
    assert unit.cycle.zero() == 0
    assert unit.values[t.SENSOR_ZERO_CODE] == pytest.approx(4000, abs=4)
    unit.run(10)
    assert unit.sensor.kpa == pytest.approx(0, abs=1)


def test_zero_is_refused_where_it_cannot_be_right(unit):
    unit.cycle.vacuum(True)
    assert unit.cycle.zero() == t.E_VACUUM_ON
    unit.cycle.vacuum(False)
    unit.run(500)
    unit.board.code = 0
    unit.run(200)
    assert unit.cycle.zero() == t.E_CAUSE_REMAINS
    assert Unit(FakeBoard(capabilities=())).cycle.zero() == t.E_NOT_THERE
    assert unit.values[t.SENSOR_ZERO_CODE] == ZERO_CODE
