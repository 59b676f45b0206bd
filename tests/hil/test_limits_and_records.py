"""Limits files, judging, figures out of traces, records on the disk."""

from __future__ import annotations

import json
import stat
from importlib.resources import files
from pathlib import Path

import pytest

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.report.trace import Trace
from airquill.tuning.crossing import falls_to, level, rises_to
from airquill_hil.bench import Bench
from airquill_hil.limits import Limit, Outcome, load_limits
from airquill_hil.record import Record, settings_hash, write_record
from airquill_hil.run import run


@pytest.mark.parametrize(
    ("value", "outcome"),
    [(49.9, "fail"), (50.0, "marginal"), (50.9, "marginal"), (51.0, "pass"), (None, "fail")],
)
def test_guard_band(value: float | None, outcome: str) -> None:
    # ILAC-G8:09/2019, 4.2: accept only inside the limit by the guard band.
    assert Limit(low=50, guard=1, flag="P").judge(value) == outcome


def test_flags_and_upper_limits() -> None:
    assert Limit(must=True, flag="P").judge(False) is Outcome.FAIL
    assert Limit(high=0, flag="S").judge(0.0) is Outcome.PASS
    assert Limit(high=80, guard=10, flag="P").judge(75) is Outcome.MARGINAL


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("version = ", "is no TOML"),
        ("version = 1", "needle_gauge"),
        ('version = 1\nneedle_gauge = 22\n[figures.x]\nflag = "P"\n', "low, high or both"),
        ('version = 1\nneedle_gauge = 22\n[figures.x]\nlow = 1\nhigh = 2\nguard = 1\nflag = "P"\n', "nothing can pass"),
        ('version = 1\nneedle_gauge = 22\n[figures.x]\nlow = 1\nflag = "Q"\n', "figures.x.flag"),
        ('version = 1\nneedle_gauge = 22\n[figures.x]\nlowest = 1\nflag = "P"\n', "figures.x"),
    ],
)
def test_a_wrong_limits_file_is_named_with_what_is_wrong(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(text)
    with pytest.raises(AirquillError) as error:
        load_limits(path)
    assert says in error.value.sentence and str(path) in error.value.sentence


def test_a_limits_file_without_a_figure_is_refused_before_the_unit_is_touched(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("version = 1\nneedle_gauge = 22\n[figures]\n")
    unit = Client.open("sim://")
    with pytest.raises(AirquillError, match="serial_equal"):
        run(Bench(unit, load_limits(path)))
    assert unit.get("cycle.picks")["cycle.picks"] == 0


def test_a_limits_file_of_another_version_is_refused_before_the_unit_is_touched(tmp_path: Path) -> None:
    # What no check measures would be passed over in silence.
    path = tmp_path / "mine.toml"
    own = (files("airquill_hil") / "limits.toml").read_text()
    path.write_text(own + '[figures.colour_error]\nhigh = 1\nflag = "P"\n')
    unit = Client.open("sim://")
    with pytest.raises(AirquillError, match="colour_error, which no check of this version measures"):
        run(Bench(unit, load_limits(path)))
    assert unit.get("cycle.picks")["cycle.picks"] == 0


def test_figures_of_a_trace() -> None:
    trace = Trace([0.0, 0.01, 0.02, 0.03, 1.0, 1.01, 1.02], [0.0, 0.0, 30.0, 50.0, 50.0, 30.0, 0.0])
    assert rises_to(trace, 40.0) == pytest.approx(0.025)
    assert rises_to(trace, 51.0) is None
    assert falls_to(trace, 15.0, from_s=0.5) == pytest.approx(1.015)
    assert level(trace, 1.0) == 50.0
    assert level(Trace(), 1.0) is None


def test_a_trace_survives_json() -> None:
    trace = Trace([0.0, 0.5], [1.0, 2.0], [(0.1, "picking")], [(0.2, "pedal 1 down")], [(50.0, "at least 50 kPa")])
    assert Trace.of_json(json.loads(json.dumps(trace.as_json()))) == trace


def make_record() -> Record:
    return run(Bench(Client.open("sim://"), load_limits(), None, "HEATHER/07"))


def test_record_on_the_disk(tmp_path: Path) -> None:
    record = make_record()
    first, second = write_record(record, tmp_path), write_record(record, tmp_path)
    assert first != second and first.name.startswith("HEATHER-07-")
    assert Record.model_validate_json(first.read_text()) == record
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted((first.name, second.name)), (
        "nothing is left beside"
    )


def test_a_record_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    (tmp_path / "records").write_text("a file")
    with pytest.raises(AirquillError, match="cannot be written"):
        write_record(make_record(), tmp_path / "records")


def test_a_full_disk_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from airquill.report import files

    path = tmp_path / "page.html"
    path.write_text("old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "fsync", full)
    with pytest.raises(AirquillError, match="No space left"):
        files.write_whole(path, "new")
    assert path.read_text() == "old"
    assert [one.name for one in tmp_path.iterdir()] == ["page.html"]
    assert path.stat().st_mode & stat.S_IRUSR


def test_settings_hash_is_of_what_travels() -> None:
    unit = Client.open("sim://")
    first = settings_hash(unit.settings(), unit.all_settings())
    unit.set({"unit.serial": "OTHER"})
    assert settings_hash(unit.settings(), unit.all_settings()) == first
    unit.set({"keys.hold_ms": 44})
    assert settings_hash(unit.settings(), unit.all_settings()) != first
