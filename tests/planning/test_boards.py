"""Reading board files: what is in them, and what is said when something is wrong."""

from __future__ import annotations

from itertools import pairwise
from math import hypot, pi
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.errors import AirquillError
from airquill.planning.board import Site, says_left_out
from airquill.planning.kicad import read_board
from airquill.planning.sexpr import parse

HEATHER = Path(__file__).parent / "heather/heather.kicad_pcb"
OLD = """(kicad_pcb (version 20171130) (host pcbnew 5.1)
  (module Resistor_SMD:R_0603_1608Metric (layer F.Cu) (tedit 5) (at 10 20 90)
    (attr smd)
    (fp_text reference R1 (at 0 0) (layer F.SilkS))
    (fp_text value 4k7 (at 0 0) (layer F.Fab))
    (pad 1 smd roundrect (at -0.8 0 90) (size 0.9 0.95) (layers F.Cu)))
  (module Capacitor_SMD:C_0603_1608Metric (layer B.Cu) (at 12 20)
    (fp_text reference C1 (at 0 0) (layer B.SilkS))
    (fp_text value "100n ""x" (at 0 0) (layer B.Fab))
    (pad 1 smd rect (at 0 0) (size 1 1) (layers B.Cu)))
  (module Own:Logo (layer F.Cu) (at 1 1) (attr virtual)
    (fp_text reference G1 (at 0 0)) (pad 1 smd rect (at 0 0) (size 1 1)))
  (gr_arc (start 10 10) (end 15 10) (angle 90) (layer Edge.Cuts) (width 0.1))
)"""


def board(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "board.kicad_pcb"
    path.write_text(text, encoding="utf-8")
    return path


def refused(path: Path) -> str:
    with pytest.raises(AirquillError) as caught:
        read_board(path)
    assert caught.value.exit_code == 2
    assert str(path) in caught.value.sentence
    return caught.value.sentence


def test_heather_is_what_was_drawn() -> None:
    read = read_board(HEATHER)
    by_reference = {site.reference: site for site in read.sites}
    assert len(read.sites) == 32
    assert by_reference["R8"].left_out and by_reference["R8"].value == "0R DNP"
    assert by_reference["J3"].kind == "through"
    assert by_reference["H1"].kind == "none"
    assert {site.reference for site in read.sites if site.side == "bottom"} == {"C10", "C11", "C12", "C13", "Q1"}
    assert by_reference["U1"].body_mm == (9.9, 3.9)


def test_a_board_of_kicad_5(tmp_path: Path) -> None:
    read = read_board(board(tmp_path, OLD.replace('"100n ""x"', '"100n \\"x"')))
    first, second, logo = read.sites
    assert (first.reference, first.value, first.side, first.kind) == ("R1", "4k7", "top", "smd")
    # counter-clockwise on the screen: what was left is below
    assert first.place(*(first.pin1 or (0, 0))) == pytest.approx((10.0, 20.8))
    assert (second.value, second.side, second.kind) == ('100n "x', "bottom", "smd")
    assert logo.kind == "none"
    (arc,) = read.outline
    assert arc[0] == pytest.approx((15, 10)) and arc[-1] == pytest.approx((10, 15))
    assert all(hypot(x - 10, y - 10) == pytest.approx(5) for x, y in arc)


def test_shapes_of_an_outline(tmp_path: Path) -> None:
    layer = '(layer "Edge.Cuts")'
    shapes = f"""
      (gr_rect (start 0 0) (end 4 3) {layer})
      (gr_circle (center 10 0) (end 12 0) {layer})
      (gr_arc (start 0 5) (mid 5 0) (end 10 5) {layer})
      (gr_arc (start 0 0) (mid 1 0) (end 2 0) {layer})
      (gr_poly (pts (xy 0 0) (xy 3 0) (xy 3 4)) {layer})
      (gr_curve (pts (xy 0 0) (xy 0 1) (xy 1 1) (xy 1 0)) {layer})"""
    text = OLD.replace("20171130", "20241229")
    read = read_board(board(tmp_path, text[: text.index("  (gr_arc")].replace('""', "") + shapes + ")"))

    def length(kind: int) -> float:
        path = read.outline[kind]
        return sum(hypot(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(path))

    # closed forms; chords of 7.5 degrees are 0.07 % short
    assert [round(length(kind), 1) for kind in (0, 4)] == [14.0, 12.0]
    assert length(1) == pytest.approx(4 * pi, rel=1e-3)
    assert length(2) == pytest.approx(5 * pi, rel=1e-3)
    assert length(3) == pytest.approx(2.0)
    assert length(5) == pytest.approx(2.0, rel=1e-2)  # a cubic Bezier curve over this square is 2 long


@given(st.integers(1, 2000))
def test_a_truncated_board_is_never_an_empty_plan(cut: int) -> None:
    text = HEATHER.read_text()
    with pytest.raises(AirquillError, match=r"breaks off|quotes|no KiCad"):
        parse(text[: len(text) - 1 - cut * 15], "heather")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "does not hold one list"),
        ("once upon a time", "does not hold one list"),
        ("(kicad_pcb (version 20171130)))", "closing parenthesis too many"),
        ("(kicad_sch (version 20211123))", "no board"),
        ("(kicad_pcb (version 20171130) (host x))", "holds no footprint"),
        ("(kicad_pcb (host x))", "of which version"),
        (OLD.replace("20171130", "4"), "older than KiCad 5"),
        (OLD.replace("20171130", "20990101"), "newer than KiCad 5 to 9"),
        (OLD.replace("(size 0.9 0.95)", "(size -0.9 0.95)"), "above zero"),
        (OLD.replace("(at 10 20 90)", "(at ten 20 90)"), "no place or size"),
        (OLD.replace("(at 10 20 90)", ""), "no place or size"),
        (OLD.replace("(angle 90)", "(angle right)"), "no place or size"),
        (OLD.replace("(angle 90)", ""), "no place or size"),
        ('(kicad_pcb (version 20171130) (module "R', "does not end"),
    ],
)
def test_what_is_wrong_with_a_board_is_said(tmp_path: Path, text: str, said: str) -> None:
    assert said in refused(board(tmp_path, text))


def test_what_is_no_text(tmp_path: Path) -> None:
    path = tmp_path / "board.kicad_pcb"
    path.write_bytes(b"\xff\xfe\x00\x01\x80")
    assert "UTF-8" in refused(path)
    assert "cannot be read" in refused(tmp_path / "none.kicad_pcb")
    assert "cannot be read" in refused(tmp_path)


@pytest.mark.parametrize("text", ["DNP", "0R DNP", "10k (dnf)", "do not populate", "not fitted", "NoFit"])
def test_values_that_say_do_not_place(text: str) -> None:
    assert says_left_out(text)


@pytest.mark.parametrize("text", ["10k", "DNPX12", "100n", "NP0 22p", ""])
def test_values_that_do_not(text: str) -> None:
    assert not says_left_out(text)


def test_a_turned_part_turns_counter_clockwise() -> None:
    site = Site("", "", "", x_mm=1.0, y_mm=2.0, turn_deg=90.0)
    assert site.place(1.0, 0.0) == pytest.approx((1.0, 1.0))
