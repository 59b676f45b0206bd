"""The commands accept (what it keeps), book, yield and gauge."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pandas
import pytest
import xmlschema

import airquill.simulator as airquill_simulator
from airquill_hil.book import Book
from airquill_hil.limits import load_limits
from airquill_hil.record import Record, write_record
from command_line import airquill
from made_records import made_record

GOOD_KPA = [55.0 + (n * 7 % 11) / 5 for n in range(33)]


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """33 good units, a bad one that was repaired and passed, one only just inside, one whose bench failed."""
    path = tmp_path / "shop.sqlite"
    with Book(path, create=True) as book:
        for n, kpa in enumerate(GOOD_KPA):
            book.add(made_record(n, kpa))
        book.add(made_record(40, 40.0, serial="HEATHER-40", chip="c40"))
        book.add_repair("HEATHER-40", "Hose changed.", "bench 1", "Ada")
        book.add(made_record(41, 57.0, serial="HEATHER-40", chip="another board"))
        book.add(made_record(42, 56.0, serial="another label", chip="c40"))
        book.add(made_record(43, 50.4, serial="HEATHER-43", station="bench 2"))
        book.add(made_record(44, None, serial="HEATHER-44", verdict="error", checks=[]))
    return path


def test_accept_keeps_everything(tmp_path: Path) -> None:
    airquill_simulator.reset()
    said = airquill(
        *("accept", "--port", "sim://kept", "--only", "vacuum", "--out", tmp_path, "--station", "bench 1"),
        *("--board-revision", "C", "--pump-lot", "P-12"),
    )
    airquill_simulator.reset()
    assert said.code == 1 and not said.err, (said.out, said.err)
    record = Record.model_validate_json(next(tmp_path.glob("*.json")).read_text())
    assert (record.board_revision, record.pump_lot, record.station) == ("C", "P-12", "bench 1")
    with Book(tmp_path / "book.sqlite") as book:
        assert list(book.records()) == [record]
    schema = xmlschema.XMLSchema(str(Path(__file__).with_name("junit-10.xsd")))
    schema.validate(str(next(tmp_path.glob("*.xml"))))


def test_accept_refuses_a_book_that_is_none_before_it_touches_the_unit(tmp_path: Path) -> None:
    (tmp_path / "book.sqlite").write_text("a diary, longer than the header of a file of SQLite. " * 30)
    answer = airquill("accept", "--port", tmp_path / "no port", "--out", tmp_path)
    assert "no SQLite file" in answer.sentences(2)


def test_yield_counts_first_tests_only(shop: Path, tmp_path: Path) -> None:
    found = airquill("yield", "--book", shop, "--json").json
    # 33 good ones, HEATHER-40 which failed first, HEATHER-43; its retests and the bench's error count for nothing.
    assert found["units"] == 35 and found["retests"] == 2 and found["undecided"] == 1
    assert (found["first_pass"]["good"], found["first_pass"]["of"]) == (34, 35)
    assert (found["last"]["good"], found["last"]["of"]) == (35, 35)
    assert found["failures"] == [{"name": "sealed_kpa", "units": 1, "so_far": 1.0}]
    assert [one["serial"] for one in found["narrow"]] == ["HEATHER-43"]
    said = airquill("yield", "--book", shop, "--page", tmp_path / "yield.html").done()
    assert "97.1 % (34 of 35 units" in said and "2 retests, 1 partial runs" in said
    page = (tmp_path / "yield.html").read_text()
    assert (
        page.count("<svg ") == 2 and "97.1 %" in page and "HEATHER-43" in page and "http" not in page.split("<svg")[0]
    )
    assert airquill("yield", "--book", shop, "--station", "bench 2", "--json").json["units"] == 1


def test_partial_runs_count_when_asked(tmp_path: Path) -> None:
    path = tmp_path / "book.sqlite"
    with Book(path, create=True) as book:
        book.add(made_record(1, verdict="partial"))
        book.add(made_record(2, 40.0))
    assert airquill("yield", "--book", path, "--json").json["first_pass"]["of"] == 1
    assert airquill("yield", "--book", path, "--partial", "--json").json["first_pass"]["good"] == 1


def test_proposed_limits_are_a_limits_file(shop: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    airquill("yield", "--book", shop, "--propose", mine).done()
    before, after = load_limits(), load_limits(mine)
    assert after.version == before.version + 1 and set(after.figures) == set(before.figures)
    low = after.figures["sealed_kpa"].low
    assert low is not None and 50 < low < min(GOOD_KPA)
    assert after.figures["vent_ms"] == before.figures["vent_ms"]
    assert "# from 34 good units" in mine.read_text() and tomllib.loads(mine.read_text())


def test_gauge_from_a_book_and_from_csv(tmp_path: Path) -> None:
    path = tmp_path / "book.sqlite"
    study = [
        (part, who, 55.0 + part + 0.1 * (who == "Ben") + 0.05 * trial)
        for part in range(5)
        for who in ("Ada", "Ben")
        for trial in range(3)
    ]
    with Book(path, create=True) as book:
        for n, (part, who, kpa) in enumerate(study):
            book.add(made_record(n, kpa, serial=f"HEATHER-{part}", chip=f"c{part}", operator=who))
    answer = airquill("gauge", "sealed_kpa", "--book", path, "--json", "--page", tmp_path / "gauge.html")
    found = answer.json
    assert answer.code == 0 and (found["parts"], found["operators"], found["trials"]) == (5, 2, 3)
    assert found["repeatability"] == pytest.approx((20 * 0.05**2 / 24) ** 0.5)  # a range of 0.1 in each of ten cells
    assert (tmp_path / "gauge.html").read_text().count("<svg ") == 1
    table = pandas.DataFrame(study, columns=["part", "operator", "value"])
    table.to_csv(tmp_path / "study.csv", index=False)
    other = airquill("gauge", "sealed_kpa", "--csv", tmp_path / "study.csv", "--low", "50", "--json").json
    assert other["measurement"] == pytest.approx(found["measurement"])
    assert other["share_of_tolerance"] == pytest.approx(found["share_of_tolerance"])
    tight = airquill("gauge", "sealed_kpa", "--csv", tmp_path / "study.csv", "--low", "56.9")
    assert tight.code == 1 and "not usable" in tight.out


def test_book_is_listed_merged_mended_and_exported(shop: Path, tmp_path: Path) -> None:
    whole = tmp_path / "whole.sqlite"
    assert "39 new, 0 known" in airquill("book", "merge", shop, "--book", whole).done()
    assert "0 new, 39 known" in airquill("book", "merge", shop, "--book", whole).done()
    airquill("book", "repair", "--serial", "HEATHER-01", "Filter changed.", "--book", whole).done()
    listed = airquill("book", "list", "--serial", "HEATHER-01", "--book", whole, "--json").json
    assert [one["kind"] for one in listed] == ["run", "repair"]
    lost = write_record(made_record(50), tmp_path / "spare")
    assert "1 record added, 0 known" in airquill("book", "add", lost, "--book", whole).done()
    airquill("book", "export", "--csv", tmp_path / "all.csv", "--book", whole).done()
    assert len(pandas.read_csv(tmp_path / "all.csv")) == 38


def test_bad_input_is_said(shop: Path, tmp_path: Path) -> None:
    none = tmp_path / "none.sqlite"
    (tmp_path / "odd.json").write_text(json.dumps({"verdict": "accepted"}))
    (tmp_path / "odd.csv").write_text("part,value\na,much\n")
    assert "no record book" in airquill("yield", "--book", none).sentences(2)
    assert not none.exists()
    assert "no such runs" in airquill("yield", "--book", shop, "--station", "moon").sentences(1)
    assert "is no date" in airquill("yield", "--book", shop, "--since", "yesterday").sentences(2)
    assert "There are sealed_kpa" in airquill("gauge", "weight_g", "--book", shop).sentences(2)
    assert "equally often" in airquill("gauge", "sealed_kpa", "--book", shop).sentences(2)
    assert "odd.csv, line 2" in airquill("gauge", "x", "--csv", tmp_path / "odd.csv").sentences(2)
    assert "no record of a run" in airquill("book", "add", tmp_path / "odd.json", "--book", none).sentences(2)
