"""Holding force, masses and needles against handbooks, published volumes and fluids 1.3.1."""

from __future__ import annotations

from math import pi

import fluids
import pytest

from airquill.planning.choice import Bench
from airquill.planning.packages import Knowledge, load_knowledge
from airquill.pneumatics.needles import SIZES_MM
from airquill.pneumatics.part import holding_force_mn, needed_force_mn, needed_vacuum_kpa

MG_PER_KG = 1e6
MN_PER_N = 1e3


@pytest.mark.parametrize(
    ("load", "safety", "newton"),
    [("lift", 1.5, 1363.0), ("carry", 1.5, 1822.0), ("vertical", 2.0, 3633.0)],
)
def test_the_worked_example_of_a_vacuum_handbook(load: str, safety: float, newton: float) -> None:
    """J. Schmalz, vacuum knowledge, calculation of holding forces: a steel sheet of 61.33 kg, 5 m/s2, mu 0.5, in three
    load cases; the figures from memory. It takes g as 9.81 m/s2 and rounds to a newton."""
    force = needed_force_mn(61.33 * MG_PER_KG, load, 5.0, 0.5, safety)
    assert force / MN_PER_N == pytest.approx(newton, rel=1e-3)


@pytest.mark.parametrize(("cup_mm", "kpa", "newton"), [(10, 60, 4.71), (2, 85, 0.267), (20, 40, 12.6), (50, 80, 157.0)])
def test_theoretical_lifting_force_of_a_cup(cup_mm: float, kpa: float, newton: float) -> None:
    """Table of theoretical lifting forces in SMC's vacuum catalogue, cup diameter over vacuum; from memory."""
    assert holding_force_mn(kpa, cup_mm) / MN_PER_N == pytest.approx(newton, rel=5e-3)


def test_needed_vacuum_by_hand() -> None:
    """An LQFP-64 of 340 mg, carried at 5 m/s2 and mu 0.25 with factor 1.5, on an 18G needle of 0.838 mm bore:
    0.34 g x (9.80665 + 20) m/s2 x 1.5 = 15.20 mN over 0.5515 mm2 = 27.6 kPa (physics, by hand)."""
    assert needed_vacuum_kpa(340.0, 0.838, "carry", 5.0, 0.25, 1.5) == pytest.approx(27.56, abs=0.01)
    package = load_knowledge().find("LQFP-64_10x10mm_P0.5mm")
    assert package is not None
    assert Bench().needed_kpa(package, 18) == pytest.approx(27.56, abs=0.01)


@pytest.mark.parametrize("altitude_m", [0.0, 1500.0, 3000.0])
def test_full_vacuum_falls_with_altitude_as_ambient_does(altitude_m: float) -> None:
    """A pump reaches the same fraction of ambient (vacuum pump makers' guides): fluids ATMOSPHERE_1976."""
    share = fluids.ATMOSPHERE_1976(altitude_m).P / 101325.0
    held = Bench(altitude_m=altitude_m).held_kpa(22, rough=False)
    assert held == pytest.approx(Bench().held_kpa(22, rough=False) * share, rel=5e-3)


@pytest.mark.parametrize("gauge", range(14, 35))
def test_needles_are_those_of_the_gauge(gauge: int) -> None:
    """Outside diameters of ISO 9626 against the Birmingham wire gauge of fluids; ISO rounds some up (18G by 0.025)."""
    outside, bore = SIZES_MM[gauge]
    assert outside == pytest.approx(1e3 * fluids.piping.t_from_gauge(gauge, schedule="BWG"), abs=0.026)
    assert 0.0 < bore < outside


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return load_knowledge()


@pytest.mark.parametrize(
    ("footprint", "mm3", "low", "high"),
    [
        ("R_0402_1005Metric", 0.163, 3.5, 6.2),
        ("R_0805_2012Metric", 1.000, 3.5, 6.2),
        ("R_1206_3216Metric", 2.60, 3.5, 6.2),
        ("C_0603_1608Metric", 0.930, 3.5, 6.2),
        ("C_1206_3216Metric", 7.59, 3.5, 6.2),
        ("SOT-23", 4.41, 1.8, 2.8),
        ("SOIC-8_3.9x4.9mm_P1.27mm", 30.2, 1.8, 2.8),
        ("QFN-32-1EP_5x5mm_P0.5mm_EP3.45x3.45mm", 25.1, 1.8, 2.8),
    ],
)
def test_masses_are_volume_times_a_density(
    knowledge: Knowledge, footprint: str, mm3: float, low: float, high: float
) -> None:
    """Volumes of the STEP models in Debian's kicad-packages3d; densities in g/cm3 of ceramics and of moulded plastic
    with leads, from memory. Masses are known to 20 %."""
    package = knowledge.find(footprint)
    assert package is not None
    assert 0.8 * low < package.mass_mg / mm3 < 1.2 * high


def test_no_mass_is_beyond_what_its_box_can_hold(knowledge: Knowledge) -> None:
    """Below a fifth of a box of plastic or above one of ceramics at 6.2 g/cm3 is a slip (densities from memory)."""
    for name in knowledge.names():
        package = knowledge.named(name)
        assert package is not None
        box = package.length_mm * package.width_mm * package.height_mm
        assert 0.2 * 1.8 * box < package.mass_mg < 1.2 * 6.2 * box, name


def test_force_is_pressure_times_area() -> None:
    """1 kPa on 1 mm2 is 1 mN (definition of the pascal)."""
    assert holding_force_mn(1.0, (4.0 / pi) ** 0.5) == pytest.approx(1.0)
