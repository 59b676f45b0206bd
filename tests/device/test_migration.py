"""Records of older registry versions in today's firmware, and today's in theirs. The older tables are made by today's
generator from the registries in tests/fixtures; each version runs its own store."""

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

from airquill import simulator
from airquill.image.layout import RPI_PICO, STORE_BLOCKS
from airquill.image.update import dropped
from airquill.link.client import Client
from airquill.link.convert import to_wire

ROOT = Path(__file__).parents[2]
FIXTURES = ROOT / "tests/fixtures"
sys.path.insert(0, str(ROOT / "protocol"))

from generators import device_tables  # noqa: E402
from generators.model import Registry  # noqa: E402


class Older:
    """A firmware of an older registry."""

    def __init__(self, name: str, folder: Path) -> None:
        data = tomllib.loads((ROOT / "protocol/registry.toml").read_text())
        change = tomllib.loads((FIXTURES / f"registries/{name}.toml").read_text())
        gone = change.get("gone", [])
        rows = [dict(row) for row in data["settings"]["rows"] if row["id"] not in change["without"]] + gone
        for wanted in change["changed"].values():
            next(row for row in rows if row["path"] == wanted["path"]).update(wanted)
        data["settings"]["rows"] = sorted(rows, key=lambda row: int(row["id"]))
        paths = {row["path"] for row in rows}
        data["rules"]["rows"] = [
            rule for rule in data["rules"]["rows"] if {str(word) for word in rule.values() if "." in str(word)} <= paths
        ]
        data["registry"]["version"] = change["version"]
        self.ids = [int(row["id"]) for row in rows]
        package = folder / name / "airquill_protocol"
        package.mkdir(parents=True)
        for source in (ROOT / "protocol/airquill_protocol").glob("*.py"):
            (package / source.name).write_text(source.read_text())
        (package / "tables.py").write_text(device_tables.text(Registry(data), "Made by a test."))
        self._path = os.pathsep.join((str(package.parent), str(ROOT / "device")))
        self._folder = folder

    def _run(self, *arguments: str) -> str:
        command = [sys.executable, str(FIXTURES / "older_unit.py"), *arguments]
        done = subprocess.run(command, env={"PYTHONPATH": self._path}, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        return done.stdout

    def saved(self, values: dict[str, str]) -> Path:
        """A flash file with this firmware's records."""
        (self._folder / "values").write_text(json.dumps(values))
        self._run("write", str(self._folder / "values"), str(self._folder / "blocks"))
        flash = bytearray(b"\xff" * RPI_PICO.size)
        blocks = (self._folder / "blocks").read_bytes()
        start = STORE_BLOCKS[0] * RPI_PICO.block_bytes
        flash[start : start + len(blocks)] = blocks
        path = self._folder / "flash.bin"
        path.write_bytes(flash)
        return path

    def reads(self, flash: Path) -> dict[str, str]:
        """What this firmware takes of the records in a flash file."""
        start = STORE_BLOCKS[0] * RPI_PICO.block_bytes
        (self._folder / "blocks").write_bytes(flash.read_bytes()[start : start + 6 * RPI_PICO.block_bytes])
        found: dict[str, str] = json.loads(self._run("read", str(self._folder / "blocks")))
        return found


@pytest.fixture(params=["early", "middle"])
def older(request: pytest.FixtureRequest, tmp_path: Path) -> Older:
    return Older(request.param, tmp_path)


def test_settings_of_an_older_version_load(older: Older) -> None:
    kept = {
        "unit.serial": '"HEATHER-07"',
        "pump.idle_pct": "35.5",
        "pedal2.tap_keys": "11004e",
        "preset3.sealed_kpa": "61.5",
    }
    flash = older.saved(kept)
    simulator.reset()
    with Client.open(f"sim://?flash={flash}") as unit:
        entries = {entry.path: entry for entry in unit.settings()}
        now = unit.all_settings()
        faults = [entry["what"] for entry in unit.log()]
    simulator.reset()
    assert {path: to_wire(entries[path], now[path]) for path in kept} == kept
    others = {path: value for path, value in now.items() if path not in kept}
    before = older.reads(flash)
    for path, value in others.items():
        # What the older one had keeps its value, where this one can hold it; what it had not is the factory's.
        wanted = before.get(path, to_wire(entries[path], entries[path].default))
        assert to_wire(entries[path], value) == wanted, path
    assert faults == [1000], "nothing to say but the start"


def test_what_this_version_cannot_hold_is_the_factorys(tmp_path: Path) -> None:
    early, middle = Older("early", tmp_path), Older("middle", tmp_path)
    simulator.reset()
    for older, path, text, wanted in (
        (early, "pump.ramp_ms", "15000", 150),
        (middle, "unit.name", '"' + "A name that was once allowed to be" + '"', ""),
    ):
        with Client.open(f"sim://?flash={older.saved({path: text, 'pump.idle_pct': '33'})}") as unit:
            assert unit.get(path, "pump.idle_pct") == {path: wanted, "pump.idle_pct": 33}
        simulator.reset()


def test_an_older_version_keeps_what_it_knows_and_the_rest_is_named(older: Older, tmp_path: Path) -> None:
    flash = tmp_path / "now.bin"
    flash.write_bytes(b"\xff" * RPI_PICO.size)
    simulator.reset()
    values: dict[str, Any] = {
        "unit.serial": "HEATHER-07",
        "pump.idle_pct": 35,
        "pedal1.stuck_s": 90,
        "pedal2.hold_ms": 900,
        "control.min_ms": 500,
    }
    with Client.open(f"sim://?flash={flash}") as unit:
        unit.set(values, keep=True)
        lost = dropped(unit, older.ids)
    simulator.reset()
    known = older.reads(flash)
    assert (known["unit.serial"], known["pump.idle_pct"]) == ('"HEATHER-07"', "35")
    assert set(lost) == {path for path in values if path not in known}
    assert lost
    for path in set(values) - set(lost):
        assert known[path].strip('"') == str(values[path])
