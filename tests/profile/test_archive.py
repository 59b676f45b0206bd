"""`airquill backup`, `restore` and `undo` on virtual units."""

import json
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from airquill import simulator
from airquill.link.client import Client
from airquill.profile.document import load
from command_line import airquill

FIRST, SECOND = "sim://first?seed=1", "sim://second?seed=2"


@pytest.fixture(autouse=True)
def fresh() -> Iterator[None]:
    simulator.reset()
    yield
    simulator.reset()


def settings(url: str) -> dict[str, Any]:
    with Client.open(url) as unit:
        return unit.all_settings()


def keep(url: str, *values: str) -> None:
    airquill("set", "--keep", *values, "--port", url).done()


def test_a_backup_holds_all_and_restores_the_same_unit(tmp_path: Path) -> None:
    keep(FIRST, "unit.serial=HEATHER-07", "pump.idle_pct=35", "preset3.sealed_kpa=61.5")
    before = settings(FIRST)
    file = tmp_path / "heather-07.zip"
    airquill("backup", file, "--port", FIRST).done()
    with zipfile.ZipFile(file) as archive:
        inside = json.loads(archive.read("backup.json"))
        archive.extract("profile.toml", tmp_path)
    assert inside["settings"]["unit.serial"] == '"HEATHER-07"'
    assert inside["unit"]["firmware"]
    assert inside["readings"]
    assert inside["log"][0]["what"] == 1000
    assert load(tmp_path / "profile.toml").values["pump.idle_pct"] == 35
    keep(FIRST, "unit.serial=WRONG", "pump.idle_pct=50", "preset3.sealed_kpa=0")
    airquill("restore", file, "--yes", "--port", FIRST).done()
    assert settings(FIRST) == before


def test_another_unit_keeps_its_serial_and_calibration(tmp_path: Path) -> None:
    keep(FIRST, "unit.serial=HEATHER-07", "pump.idle_pct=35", "preset3.sealed_kpa=61.5")
    keep(SECOND, "unit.serial=HEATHER-08", "preset3.sealed_kpa=58")
    file = tmp_path / "heather-07.zip"
    airquill("backup", file, "--port", FIRST).done()
    assert "--all" in airquill("restore", file, "--yes", "--port", SECOND).done()
    after = settings(SECOND)
    assert (after["unit.serial"], after["preset3.sealed_kpa"], after["pump.idle_pct"]) == ("HEATHER-08", 58, 35)
    airquill("restore", file, "--all", "--yes", "--port", SECOND).done()
    assert settings(SECOND) == settings(FIRST)


def test_what_this_unit_cannot_hold_is_dropped_and_said(tmp_path: Path) -> None:
    file = tmp_path / "newer.zip"
    airquill("backup", file, "--port", FIRST).done()
    with zipfile.ZipFile(file) as archive:
        inside = json.loads(archive.read("backup.json"))
    inside["settings"] |= {"pump.song": "3", "pump.ramp_ms": "9999", "pump.idle_pct": "31"}
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("backup.json", json.dumps(inside))
    answer = airquill("restore", file, "--yes", "--port", SECOND)
    answer.done()
    assert "pump.ramp_ms" in answer.err
    assert "pump.song" in answer.err
    assert settings(SECOND)["pump.idle_pct"] == 31
    assert settings(SECOND)["pump.ramp_ms"] == 150


def test_a_restore_needs_consent_and_a_sound_file(tmp_path: Path) -> None:
    file = tmp_path / "heather-07.zip"
    keep(FIRST, "pump.idle_pct=35")
    airquill("backup", file, "--port", FIRST).done()
    assert "--yes" in airquill("restore", file, "--port", SECOND).sentences(2)
    assert settings(SECOND)["pump.idle_pct"] == 40
    content = file.read_bytes()
    (tmp_path / "cut.zip").write_bytes(content[: len(content) // 2])
    assert "no backup" in airquill("restore", tmp_path / "cut.zip", "--port", SECOND).sentences(2)
    assert "There is no file" in airquill("restore", tmp_path / "none.zip", "--port", SECOND).sentences(2)


def test_undo_shows_goes_back_and_undoes_itself() -> None:
    keep(FIRST, "pump.idle_pct=35")
    keep(FIRST, "pump.idle_pct=45", "pump.ramp_ms=111")
    assert "--yes" in airquill("undo", "--port", FIRST).sentences(2)
    assert settings(FIRST)["pump.idle_pct"] == 45
    shown = airquill("undo", "--yes", "--port", FIRST).done()
    assert all(word in shown for word in ("pump.idle_pct", "45 %", "35 %", "111 ms", "150 ms"))
    assert settings(FIRST)["pump.idle_pct"] == 35
    airquill("undo", "--yes", "--port", FIRST).done()
    assert settings(FIRST)["pump.idle_pct"] == 45


def test_without_an_earlier_record_there_is_nothing_to_undo() -> None:
    assert "no earlier record" in airquill("undo", "--yes", "--port", FIRST).sentences(1)
