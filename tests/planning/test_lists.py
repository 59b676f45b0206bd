"""Position files, bills of materials and stock lists of many kinds."""

from __future__ import annotations

from pathlib import Path

import pytest

from airquill.errors import AirquillError
from airquill.planning.kicad import read_board
from airquill.planning.lists import join, read_list, read_stock, references

HEATHER = Path(__file__).parent / "heather/heather.kicad_pcb"
KICAD_CSV = """Ref,Val,Package,PosX,PosY,Rot,Side
"R1","100k","R_0603_1608Metric",112.0,-72.5,90.0,top
C10,1u,C_0603_1608Metric,120,-80,0,bottom
"""
KICAD_POS = """### Footprint positions - created on a day in spring ###
## Unit = inches, Angle = deg.
## Side : top
# Ref     Val       Package                PosX       PosY       Rot  Side
R1        100k      R_0603_1608Metric    1.0000    -2.0000    90.0000  top
## End
"""


def listed(tmp_path: Path, text: str | bytes, name: str = "list.csv") -> Path:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def refused(path: Path, **more: object) -> str:
    with pytest.raises(AirquillError) as caught:
        read_list(path, **more)  # type: ignore[arg-type]
    return caught.value.sentence


def test_a_position_file_of_kicad(tmp_path: Path) -> None:
    read = read_list(listed(tmp_path, KICAD_CSV))
    first, second = read.sites
    assert (first.reference, first.value, first.x_mm, first.y_mm, first.turn_deg) == ("R1", "100k", 112.0, 72.5, 90.0)
    assert second.side == "bottom"
    assert "reference = Ref" in read.notes[0] and "UTF-8 with commas" in read.notes[0]
    assert "does not say its unit" in read.notes[1]


def test_a_position_file_with_columns_of_spaces_and_inches(tmp_path: Path) -> None:
    (site,) = read_list(listed(tmp_path, KICAD_POS.replace("inches", "in"), "board.pos")).sites
    assert (site.x_mm, site.y_mm) == pytest.approx((25.4, 50.8))


@pytest.mark.parametrize(
    ("x", "title", "unit"),
    [
        ("4000mil", "Mid X", None),
        ("101.6mm", "Mid X", None),
        ("101,6", "Mid X (mm)", None),
        ("4000", "Mid X [mil]", None),
        ("4000", "Mid X", "mil"),
        ("4.0", "Mid X", "in"),
        ("1.016e2", "Mid X", None),
    ],
)
def test_units_and_decimals(tmp_path: Path, x: str, title: str, unit: str | None) -> None:
    text = f"Designator;Comment;Footprint;{title};{title.replace('X', 'Y')};Layer\nR1;1k;R_0603_1608Metric;{x};{x};T\n"
    (site,) = read_list(listed(tmp_path, text), unit=unit).sites
    assert site.x_mm == pytest.approx(101.6)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    text = "Designator;Wert;Gehäuse\nR1,R3-R5;4k7 µ;R_0603_1608Metric\n"
    read = read_list(listed(tmp_path, text.encode(encoding)))
    assert [site.reference for site in read.sites] == ["R1", "R3", "R4", "R5"]
    assert {site.value for site in read.sites} == {"4k7 µ"}
    assert all(site.x_mm is None for site in read.sites)


def test_a_bill_of_materials_goes_with_a_board(tmp_path: Path) -> None:
    bom = listed(tmp_path, 'Reference,Value,Footprint,DNP\n"R1, R2",47k,,\nC1,100n,,1\nX9,8M,,\n', "bom.csv")
    read = join(read_board(HEATHER), read_list(bom))
    by_reference = {site.reference: site for site in read.sites}
    assert by_reference["R1"].value == "47k"
    assert by_reference["R1"].footprint == "Resistor_SMD:R_0603_1608Metric"
    assert by_reference["C1"].left_out
    assert any(note.startswith("In bom and not on the board: X9") for note in read.notes)
    assert any("not in bom" in note and "U1" in note for note in read.notes)


def test_quoted_cells_may_hold_line_ends(tmp_path: Path) -> None:
    text = 'Reference,Value,Footprint\n"R1\nR2",1k,R_0603_1608Metric\nR3,2k,R_0603_1608Metric\n'
    assert [site.reference for site in read_list(listed(tmp_path, text)).sites] == ["R1", "R2", "R3"]


def test_columns_can_be_said(tmp_path: Path) -> None:
    path = listed(tmp_path, "what,who,where\n1k,R1,R_0603_1608Metric\n")
    assert "no column looks like reference or value or footprint" in refused(path)
    columns = {"value": "what", "reference": "who", "footprint": "where"}
    (site,) = read_list(path, columns).sites
    assert (site.reference, site.value) == ("R1", "1k")
    assert "has no column whom" in refused(path, wanted={**columns, "reference": "whom"})
    assert "There is no column colour" in refused(path, wanted={"colour": "what"})


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("Ref,Val,Package\n", "no rows"),
        ("Ref,Ref,Package\nR1,1,2\n", "no titles"),
        ("a line of prose\n", "no rows"),
        ("Ref,Val,Package\nR1,1k,R_0603_1608Metric,more\n", "4 cells under 3 titles"),
        ("Ref,Val,Package\n,1k,R_0603_1608Metric\n", "lists no part"),
        ("Ref,Val,Package\nR1,1k,x\nR1,2k,x\n", "was there before"),
        ("Ref,Val,Package\nR9-R1,1k,x\n", "runs from 9 to 1"),
        ("Ref,Val,Package\nR1-R999999,1k,x\n", "runs from 1 to 999999"),
        ("Ref,Val,Package,X,Y\nR1,1k,x,left,2\n", "left is no number"),
        ("Ref,Val,Package,X,Y\nR1,1k,x,1cubit,2\n", "1cubit is no number"),
        ("Ref,Val,Package,X,Y\nR1,1k,x,1mm,2\n", "X is in mm and Y in no unit"),
        ("Ref,Val,Package,X,Y\nR1,1k,x,1mm,2mm\nR2,1k,x,1mil,2mil\n", "mixes units"),
        ("Ref,Val,Package,X,Y\nR1,1k,x,0,0\nR2,1k,x,4000,0\n", "--unit mil"),
    ],
)
def test_what_is_wrong_with_a_list_is_said(tmp_path: Path, text: str, said: str) -> None:
    path = listed(tmp_path, text)
    sentence = refused(path)
    assert said in sentence and str(path) in sentence


def test_what_is_no_text(tmp_path: Path) -> None:
    assert "UTF-16" in refused(listed(tmp_path, b"\x00\x01\x02,\x00\n"))
    assert "cannot be read" in refused(tmp_path / "none.csv")
    assert "no unit of length" in refused(listed(tmp_path, KICAD_CSV), unit="cubit")


def test_references() -> None:
    assert references("R1 R2;R3,C1..C3", "x") == ["R1", "R2", "R3", "C1", "C2", "C3"]
    assert references("R5-R7", "x") == ["R5", "R6", "R7"]
    assert references("U1-A", "x") == ["U1-A"]


def test_stock(tmp_path: Path) -> None:
    stock, said = read_stock(listed(tmp_path, "Value,Footprint,Qty\n1k,R 0603,100\n1k,R 0603,20\n"))
    assert stock == {("1k", "R 0603"): 120}
    assert "count = Qty" in said
    for pieces in ("-3", "many", "1.5", "7mm"):
        with pytest.raises(AirquillError, match=r"no count|no number"):
            read_stock(listed(tmp_path, f"Value,Footprint,Qty\n1k,R 0603,{pieces}\n"))
