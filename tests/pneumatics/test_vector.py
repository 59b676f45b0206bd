"""The numpy variant tells the same as the scalar one, unit by unit."""

import random

import numpy as np
import pytest

from airquill.pneumatics.air import FAULTS, Air
from airquill.pneumatics.needles import Needle
from airquill.pneumatics.pump import Pump
from airquill.pneumatics.valve import Valve
from airquill.pneumatics.vector import AirMany


def drawn(draw: random.Random) -> Air:
    air = Air(
        Pump(
            draw.uniform(0.5, 15.0),
            draw.uniform(30.0, 90.0),
            draw.choice([0.0, draw.uniform(-0.5, 0.8)]),
            start_duty=draw.uniform(0.2, 0.6),
            floor_duty=draw.uniform(0.1, 0.5),
        ),
        Valve(draw.uniform(0.02, 1.0), draw.uniform(0.1, 0.5)),
        Needle(draw.randrange(14, 35)),
        hose_bore_mm=draw.uniform(1.0, 5.0),
        hose_length_mm=draw.uniform(100.0, 3000.0),
        filter_kpa=draw.uniform(0.1, 10.0),
        ambient_pa=draw.uniform(7e4, 1.03e5),
    )
    air.supply_volts = draw.choice([12.0, draw.uniform(8.0, 26.0)])
    for name in FAULTS:
        if draw.random() < 0.2:
            air.set_fault(name, draw.random())
    return air


@pytest.mark.parametrize("dt_s", [1e-3, 5e-3])
def test_agrees_with_the_scalar_air(dt_s: float, record_property) -> None:
    draw = random.Random(11)
    airs = [drawn(draw) for _ in range(24)]
    for air in airs[:4]:  # puffed up, pumps at rest
        air.set_vacuum(draw.uniform(-5.0, 0.0), draw.uniform(-5.0, 0.0), draw.uniform(-5.0, 3.0))
    many = AirMany(airs)
    worst = 0.0
    # each of its own; all joined; all vent; sealed and joined, as every unit then needs the same
    for duty, drive, tip in ((None, None, None), (None, 1.0, None), (0.0, 0.0, None), (None, 1.0, 0.0), (None,) * 3):
        for air in airs:
            air.pump_duty = draw.random() if duty is None else duty
            air.valve_drive = draw.choice([0.0, 0.4, 1.0]) if drive is None else drive
            air.tip_share = draw.choice([0.0, 1.0, draw.random()]) if tip is None else tip
            air.supply_volts *= draw.uniform(0.8, 1.2)
            air.ambient_pa *= draw.uniform(0.99, 1.01)
        for name in ("pump_duty", "valve_drive", "tip_share", "supply_volts", "ambient_pa"):
            setattr(many, name, np.array([getattr(air, name) for air in airs]))
        for _ in range(80):
            many.step(dt_s)
            for air in airs:
                air.step(dt_s)
            for name in ("pen_kpa", "line_kpa", "pump_kpa", "valve_open"):
                scalar = np.array([getattr(air, name) for air in airs])
                worst = max(worst, float(np.max(np.abs(getattr(many, name) - scalar))))
    record_property("kpa", float(worst))
    assert worst < 1e-7


def test_one_number_serves_all() -> None:
    many = AirMany([Air(), Air(needle=Needle(30))])
    many.pump_duty, many.valve_drive, many.tip_share = 1.0, 1.0, 0.5
    for _ in range(500):
        many.step(1e-3)
    assert many.pen_kpa[1] > many.pen_kpa[0] > 10.0


def test_an_input_is_copied_and_cannot_change_unseen() -> None:
    many, duty = AirMany([Air(), Air()]), np.array([1.0, 0.0])
    many.pump_duty = duty
    duty[:] = 0.0
    with pytest.raises(ValueError, match="read-only"):
        many.pump_duty[1] = 1.0
    for _ in range(200):
        many.step(1e-3)
    assert many.speed == pytest.approx([1.0, 0.0], abs=0.05)
    assert many.heat_k[0] > many.heat_k[1] == pytest.approx(0.0, abs=1e-9)


def test_state_is_taken_over() -> None:
    air = Air()
    air.pump_duty = air.valve_drive = 1.0
    for _ in range(100):
        air.step(1e-3)
    many = AirMany([air])
    air.step(1e-3)
    many.step(1e-3)
    assert many.pen_kpa[0] == pytest.approx(air.pen_kpa, rel=1e-12)


def test_thousand_units_differ_in_pick_time() -> None:
    """Parts with usual tolerances (flow 10 %, end vacuum 5 %, hose length 5 %; chosen) spread the time to 40 kPa."""
    draw = random.Random(5)
    needle = Needle(22)
    airs = [
        Air(
            Pump(draw.gauss(5.0, 0.5), draw.gauss(65.0, 3.0)),
            needle=needle,
            hose_length_mm=draw.gauss(1000.0, 50.0),
        )
        for _ in range(1000)
    ]
    many = AirMany(airs)
    many.pump_duty, many.valve_drive, many.tip_share = 0.8, 1.0, 0.0
    reached = np.full(1000, np.nan)
    for step in range(800):
        many.step(1e-3)
        reached[np.isnan(reached) & (many.pen_kpa >= 40.0)] = step + 1.0
    assert not np.isnan(reached).any()
    spread = np.std(reached) / np.mean(reached)
    assert 0.05 < spread < 0.3


def test_no_unit_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        AirMany([])
