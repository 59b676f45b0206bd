"""What is known about packages, and files that users add."""

from __future__ import annotations

from pathlib import Path

import pytest

from airquill.errors import AirquillError
from airquill.planning.board import Site
from airquill.planning.packages import drawn_differently, load_knowledge

OWN = Path(__file__).parent / "heather/packages.toml"
GOOD = OWN.read_text()


def own(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "packages.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_value_has_a_flagged_source() -> None:
    knowledge = load_knowledge()
    for file in knowledge.files:
        for entry in file.package:
            for value, source in entry.sources.items():
                assert source in knowledge.sources, (entry.name, value)
            given = {"pitch_mm": entry.pitch_mm, "height_mm": entry.height_mm}
            for value, number in given.items():
                assert number is None or value in entry.sources, (entry.name, value)
    package = knowledge.find("R_0603_1608Metric")
    assert package is not None
    assert package.flags == {"size_mm": "S", "mass_mg": "M", "pitch_mm": "M", "top": "P"}


def test_metric_codes_are_not_taken_for_imperial_ones() -> None:
    """Imperial 0603 is metric 1608, and metric 0603 is imperial 0201: a bare code says nothing."""
    knowledge = load_knowledge()
    assert [knowledge.find(name) for name in ("R_0603", "C_0402", "0603", "Capacitor_SMD:1005_C")] == [None] * 4
    small = knowledge.find("Resistor_SMD:R_0201_0603Metric")
    assert small is not None and small.length_mm == 0.6


@pytest.mark.parametrize(
    ("footprint", "size", "pitch"),
    [
        ("Package_QFP:TQFP-144_20x20mm_P0.5mm", (20, 20, 1.0), 24),
        ("LQFP-48_7x7mm_P0.5mm", (7, 7, 1.4), 12),
        ("Package_SO:SOIC-14_3.9x8.7mm_P1.27mm", (8.7, 3.9, 1.5), 8),
        ("CP_EIA-3528-21_Kemet-B_Pad1.50x2.35mm_HandSolder", (3.5, 2.8, 2.1), 8),
        ("CP_Elec_8x10.5", (8.3, 8.3, 10.5), 12),
    ],
)
def test_families_take_their_size_from_the_name(footprint: str, size: tuple[float, ...], pitch: float) -> None:
    package = load_knowledge().find(footprint)
    assert package is not None
    assert (package.length_mm, package.width_mm, package.height_mm) == size
    assert package.pitch_mm == pitch
    assert package.flags["mass_mg"] == "C"


def test_own_packages_come_first(tmp_path: Path) -> None:
    text = GOOD.replace("LoadCell_4pad", "R_0603.*") + '\n[alias]\n"Capacitor_SMD:1005_C" = "C 0402"\n'
    knowledge = load_knowledge([own(tmp_path, text)])
    mine = knowledge.find("R_0603_1608Metric")
    assert mine is not None and mine.name == "load cell terminal"
    named = knowledge.find("Capacitor_SMD:1005_C")
    assert named is not None and named.name == "C 0402"


def test_a_body_that_is_drawn_otherwise_is_seen() -> None:
    package = load_knowledge().find("R_0603_1608Metric")
    assert package is not None
    assert not drawn_differently(package, Site("R1", "", "", outline=(-0.8, -0.4, 0.8, 0.4)))
    assert not drawn_differently(package, Site("R1", "", ""))
    assert drawn_differently(package, Site("R1", "", "", outline=(-1.6, -0.8, 1.6, 0.8)))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("mass_mg = 900", "mass_mg = -900"), "greater than 0"),
        (("[10.0, 5.0, 6.0]", "[10.0, -5.0, 6.0]"), "greater than 0"),
        (("[10.0, 5.0, 6.0]", "[10.0, 5.0]"), "load cell terminal"),
        (("mass_mg = 900", "mass_mg = nan"), "load cell terminal"),
        (("mass_mg = 900", ""), "neither mass_mg nor density"),
        (("mass_mg = 900", 'colour = "red"'), "nothing is called colour"),
        (("'LoadCell_4pad'", "'Load(Cell'"), "no regular expression"),
        (("size_mm = [10.0, 5.0, 6.0]\n", ""), "has no size_mm"),
        (('mass_mg = "drawing", ', ""), "a source for mass_mg"),
        (('mass_mg = "drawing"', 'mass_mg = "rumour"'), "rumour"),
        (('flag = "M"', 'flag = "X"'), "flag"),
        (("[[package]]", "[[package"), "no TOML"),
        (("[source.drawing]", '[alias]\nA = "nothing"\n[source.drawing]'), "none of"),
    ],
)
def test_what_is_wrong_with_a_file_is_said(tmp_path: Path, change: tuple[str, str], said: str) -> None:
    path = own(tmp_path, GOOD.replace(*change))
    with pytest.raises(AirquillError) as caught:
        load_knowledge([path])
    assert said in caught.value.sentence and str(path) in caught.value.sentence
    assert "\n" not in caught.value.sentence


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(AirquillError, match="cannot be read"):
        load_knowledge([tmp_path / "none.toml"])
