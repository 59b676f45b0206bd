"""`airquill parts`: the job of twenty Heather boards, and everything that can be wrong with what it is given."""

from __future__ import annotations

import csv
import io
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from airquill.planning.drawing import body
from airquill.planning.kicad import read_board
from airquill.planning.packages import load_knowledge
from airquill.profile.document import load
from command_line import airquill

HERE = Path(__file__).parent / "heather"
HEATHER = HERE / "heather.kicad_pcb"
OWN = ("--packages", HERE / "packages.toml")
SVG = "{http://www.w3.org/2000/svg}"


def test_twenty_boards(tmp_path: Path) -> None:
    page, presets = tmp_path / "heather.html", tmp_path / "heather.toml"
    answer = airquill("parts", HEATHER, *OWN, "--boards", "20", "--page", page, "--presets", presets, "--job", "Hive 7")
    out = answer.done()
    assert "29 parts in 17 steps, 2 changes of the tip; 0 of an unknown package, 1 not to be placed" in out
    assert load(presets).title == "Hive 7"
    text = page.read_text()
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)|<script|<link|<input|src=", text), (
        "one file, nothing to fetch"
    )
    assert text.count("Hive 7") >= 17


def test_each_sheet_draws_its_own_parts_only(tmp_path: Path) -> None:
    page = tmp_path / "heather.html"
    plan = airquill("parts", HEATHER, *OWN, "--page", page, "--json").json
    sheets = re.findall(r"<svg.*?</svg>", page.read_text(), re.DOTALL)
    assert len(sheets) == len(plan["steps"])
    knowledge = load_knowledge([HERE / "packages.toml"])
    sites = {site.reference: site for site in read_board(HEATHER).sites}
    for step, sheet in zip(plan["steps"], sheets, strict=True):
        drawn = ElementTree.fromstring(sheet)
        bodies = drawn.findall(f".//{SVG}polygon")
        assert len(bodies) == len(step["sites"])
        assert len(drawn.findall(f".//{SVG}polyline")) == 8, "the outline's four sides and four corners"
        for polygon, said in zip(bodies, step["sites"], strict=True):
            site = sites[said["reference"]]
            package = knowledge.find(site.footprint)
            assert package is not None
            corners = [tuple(float(n) for n in corner.split(",")) for corner in polygon.attrib["points"].split()]
            # seen from below, left and right change about the middle of the board, 105 to 161 mm
            wanted = [(266 - x if step["side"] == "bottom" else x, y) for x, y in body(site, package)]
            assert [n for c in corners for n in c] == pytest.approx([n for c in wanted for n in c], abs=2e-3)


def test_csv_and_kit() -> None:
    rows = list(csv.DictReader(io.StringIO(airquill("parts", HEATHER, *OWN, "--csv", "parts").done())))
    assert len(rows) == 30
    assert [row["reference"] for row in rows if row["state"] == "not to be placed"] == ["R8"]
    kit = list(csv.DictReader(io.StringIO(airquill("parts", HEATHER, *OWN, "--csv", "kit", "--boards", "20").done())))
    assert next(row for row in kit if row["value"] == "12p")["strip_mm"] == "128.0"  # 44 at 2 mm, and 40
    assert "Strip" in airquill("parts", HEATHER, *OWN, "--kit").done()


def test_an_unknown_package_is_listed_and_the_answer_is_no() -> None:
    answer = airquill("parts", HEATHER)
    assert answer.code == 1
    assert "No package is known for Heather:LoadCell_4pad (1" in answer.err
    assert "1 of an unknown package" in answer.out


def test_short_stock_is_a_no() -> None:
    answer = airquill("parts", HEATHER, *OWN, "--boards", "20", "--stock", HERE / "stock.csv")
    assert answer.code == 1
    assert "Stock is short of" in answer.err and "value = Value" in answer.err


def test_a_plan_goes_round_through_a_position_file(tmp_path: Path) -> None:
    rows = csv.DictReader(io.StringIO(airquill("parts", HEATHER, *OWN, "--csv", "parts").done()))
    lines = ["Ref,Val,Footprint,PosX,PosY,Side"]
    for row in rows:
        if row["state"] == "placed":  # Y of a position file points up
            start = ",".join(row[key] for key in ("reference", "value", "footprint", "x_mm"))
            lines.append(f"{start},-{row['y_mm']},{row['side']}")
    path = tmp_path / "positions.csv"
    path.write_text("\n".join(lines))
    again = airquill("parts", path, *OWN, "--json").json
    first = airquill("parts", HEATHER, *OWN, "--json").json
    assert [step["value"] for step in again["steps"]] == [step["value"] for step in first["steps"]]
    assert [step["tool"] for step in again["steps"]] == [step["tool"] for step in first["steps"]]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--needles", "many"), "takes gauges"),
        (("--needles", "99"), "99 gauge"),
        (("--load", "throw"), "lift, carry, vertical"),
        (("--safety", "0"), "1 to 20"),
        (("--altitude", "99999"), "altitude"),
        (("--boards", "0"), "1 to 100000"),
        (("--spare", "-5"), "spare"),
        (("--side", "left"), "top or bottom"),
        (("--csv", "all"), "parts or kit"),
        (("--column", "value"), "NAME=TITLE"),
        (("--bom", "none.csv"), "cannot be read"),
        (("--stock", "none.csv"), "cannot be read"),
        (("--packages", "none.toml"), "cannot be read"),
    ],
)
def test_bad_options_change_nothing(tmp_path: Path, arguments: tuple[str, str], said: str) -> None:
    page, presets = tmp_path / "page.html", tmp_path / "presets.toml"
    answer = airquill("parts", HEATHER, *OWN, "--page", page, "--presets", presets, *arguments)
    assert said in answer.sentences(2)
    assert not page.exists() and not presets.exists()


def test_a_profile_that_is_none_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "notes.toml"
    path.write_text("# my notes\n")
    airquill("parts", HEATHER, *OWN, "--presets", path).sentences(2)
    assert path.read_text() == "# my notes\n"


def test_a_truncated_board(tmp_path: Path) -> None:
    path = tmp_path / "cut.kicad_pcb"
    path.write_text(HEATHER.read_text()[:20000])
    assert "breaks off" in airquill("parts", path).sentences(2)
