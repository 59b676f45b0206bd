"""Parts on the tip: forces, fit, pick, loss in a flick, swallowing, sticking, tack; equal seeds, equal history."""

from math import pi

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.pneumatics.air import Air
from airquill.pneumatics.needles import Needle
from airquill.pneumatics.part import (
    FLICK_ACCEL,
    TACK_KPA,
    Part,
    Tip,
    fits,
    holding_force_mn,
    needed_force_mn,
    needed_vacuum_kpa,
    seal_share,
    swallows,
)

C0402 = Part(1.0, 0.5, 0.5, 1.4)
C0805 = Part(2.0, 1.25, 1.25, 12.0)
SOIC16 = Part(9.9, 3.9, 1.5, 145.0)
R01005 = Part(0.4, 0.2, 0.13, 0.04)


def bench(gauge: int = 22, duty: float = 0.8, seed: int = 1) -> Tip:
    air = Air(needle=Needle(gauge))
    air.pump_duty = duty
    return Tip(air, seed)


def run(tip: Tip, seconds: float) -> int:
    """Step air and tip; count what was lost or swallowed."""
    events = 0
    for _ in range(round(seconds * 1e3)):
        tip.air.step(1e-3)
        events += tip.step()
    return events


def pick(tip: Tip, part: Part, seconds: float = 1.0) -> bool:
    tip.air.valve_drive = 1.0
    tip.touch(part)
    run(tip, seconds)
    return tip.lift()


def test_force_is_pressure_times_area() -> None:
    """1 kPa on 1 mm2 is 1 mN."""
    assert holding_force_mn(1.0, (4 / pi) ** 0.5) == pytest.approx(1.0)
    # 60 kPa on 22G: 8 mN, 0.8 g
    assert holding_force_mn(60.0, 0.413) == pytest.approx(8.04, rel=0.01)


@pytest.mark.parametrize(
    ("load", "expected"),
    [("lift", 9.80665 + 5.0), ("carry", 9.80665 + 5.0 / 0.25), ("vertical", (9.80665 + 5.0) / 0.25)],
)
def test_load_cases(load: str, expected: float) -> None:
    """m (g + a), m (g + a / mu), (m / mu)(g + a), here of one gram."""
    assert needed_force_mn(1000.0, load) == pytest.approx(expected)
    assert needed_vacuum_kpa(1000.0, 1.0, load, safety=2.0) == pytest.approx(2 * expected / (pi / 4))


def test_rest_vacuum_carries_the_smallest_chips() -> None:
    """Trade finding: 0.07 to 0.2 kPa of rest vacuum still carries an 0201 or 0402 on a usual needle."""
    assert holding_force_mn(0.2, 0.413) > needed_force_mn(1.4, "lift", 0.0)
    assert holding_force_mn(0.2, 0.21) > needed_force_mn(0.3, "lift", 0.0)


def test_fit_and_swallow() -> None:
    assert fits(Needle(30), C0402)
    assert not fits(Needle(18), C0402)
    assert swallows(Needle(18), R01005)
    assert not swallows(Needle(30), R01005)


@given(gap=st.floats(0.0, 50.0), pores=st.floats(0.0, 0.2))
def test_seal_share_is_a_share(gap: float, pores: float) -> None:
    needle = Needle(22)
    share = seal_share(needle, Part(2.0, 1.25, 0.5, 5.0, porous_mm2=pores), gap)
    assert 0.0 <= share < 1.0
    assert share <= seal_share(needle, Part(2.0, 1.25, 0.5, 5.0, porous_mm2=pores + 0.01), gap)


def test_a_good_part_is_picked_and_placed() -> None:
    tip = bench()
    assert pick(tip, C0805)
    assert tip.state == "held"
    held = tip.air.pen_kpa
    assert run(tip, 2.0) == 0
    tip.place(TACK_KPA)
    tip.air.valve_drive = 0.0
    run(tip, 0.3)
    assert not tip.lift()
    assert (tip.state, tip.part, tip.losses) == ("open", None, 0)
    assert tip.air.tip == "open"
    assert held > 50.0


def test_a_heavy_part_stays_on_the_table() -> None:
    tip = bench(30)
    assert not pick(tip, SOIC16)
    assert tip.state == "open"


def test_a_flick_loses_what_a_calm_hand_keeps() -> None:
    tip = bench(22)
    assert pick(tip, SOIC16)
    tip.accel = 1.0
    assert run(tip, 1.0) == 0
    tip.accel = FLICK_ACCEL
    assert run(tip, 0.1) == 1
    assert (tip.losses, tip.state) == (1, "open")


def test_without_vacuum_it_falls_once_vented() -> None:
    tip = bench(22)
    assert pick(tip, C0805)
    tip.air.valve_drive = 0.0
    assert run(tip, 0.5) == 1


def test_a_small_part_does_not_let_go_without_paste() -> None:
    """Rest vacuum: the valve does not quite close, and gravity does not free an 0402; paste does."""

    def placed(tack: float) -> bool:
        tip = bench(22, 0.6)
        tip.air.set_fault("valve_stuck_open", 0.2)
        assert pick(tip, C0402)
        tip.place(tack)
        tip.air.valve_drive = 0.0
        run(tip, 0.3)
        return not tip.lift()

    assert not placed(0.0)
    assert placed(TACK_KPA)


def test_lifting_before_the_vent_pulls_the_part_out_of_the_paste() -> None:
    tip = bench(22)
    assert pick(tip, C0402)
    tip.place(TACK_KPA)
    assert tip.lift()


def test_a_leaky_part_reads_between_open_and_sealed() -> None:
    levels = []
    for part in (Part(2.0, 1.25, 0.5, 5.0), Part(2.0, 1.25, 0.5, 5.0, gap_um=30.0), None):
        tip = bench(20)
        tip.air.valve_drive = 1.0
        if part:
            tip.touch(part)
        run(tip, 3.0)
        levels.append(tip.air.pen_kpa)
    assert levels[0] > levels[1] + 1.0 > levels[2] + 2.0


def test_the_narrow_part_is_swallowed_or_slips() -> None:
    states = []
    for seed in range(12):
        tip = bench(18, seed=seed)
        tip.air.valve_drive = 1.0
        tip.touch(R01005)
        assert run(tip, 0.3) == 1
        states.append(tip.state)
        tip.clean()
        assert tip.air.tip == "open"
    assert {"swallowed", "open"} == set(states)


def test_equal_seeds_give_equal_histories() -> None:
    def history(seed: int) -> list[float]:
        tip = bench(20, seed=seed)
        trace = []
        for _ in range(5):
            trace.append(pick(tip, C0805, 0.2))
            trace.append(tip.air.pen_kpa)
            tip.clean()
        return trace

    assert history(4) == history(4)
    assert history(4) != history(5)


def test_wrong_use_is_refused() -> None:
    tip = bench()
    tip.touch(C0402)
    with pytest.raises(ValueError, match="not free"):
        tip.touch(C0402)
    with pytest.raises(ValueError, match="no part"):
        bench().place()
    with pytest.raises(ValueError, match="load case"):
        needed_force_mn(1.0, "upside")
    with pytest.raises(ValueError, match="above zero"):
        Part(0.0, 1.0, 1.0, 1.0)
