"""`airquill update` on a virtual unit: a real MicroPython, a real LittleFS, a real line."""

import re
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from airquill.image import update
from airquill.image.build import firmware_files
from airquill.image.layout import RPI_PICO
from airquill.image.littlefs import build_filesystem
from airquill.link.client import Client
from airquill.simulator.control import Control
from command_line import ROOT, Answer, Running, airquill, end, start_unit

pytestmark = pytest.mark.timeout(240)


@pytest.fixture
def unit(tmp_path: Path) -> Iterator[Running]:
    running = start_unit(tmp_path / "unit")
    yield running
    end(running)


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """The sources, for a contributor to edit."""
    for name in ("device", "protocol"):
        shutil.copytree(ROOT / name, tmp_path / "tree" / name, ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path / "tree"


def edit(tree: Path, name: str, old: str, new: str) -> None:
    path = tree / "device/airquill_device" / name
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def update_from(tree: Path, unit: Running, *more: str) -> Answer:
    return airquill("update", "--from", tree, "--port", unit.port, *more)


def build_of(unit: Running) -> str:
    with Client.open(unit.port) as client:
        return client.greeting.build


def wait_until_done(command: Callable[[], Answer]) -> str:
    """What it says as soon as the unit has started."""
    deadline = time.monotonic() + 60
    while (said := command()).code and time.monotonic() < deadline:
        pass
    return said.done()


def test_an_edited_file_runs_and_what_is_the_units_own_stays(unit: Running, tree: Path) -> None:
    airquill("set", "--keep", "unit.serial=HEATHER-07", "pump.idle_pct=35", "--port", unit.port).done()
    before = build_of(unit)
    edit(tree, "version.py", "0.1.0", "0.1.7")
    said = update_from(tree, unit, "--json")
    assert said.code == 0, said.err
    assert set(said.json["sent"]) == {"airquill_device/version.mpy", "build.txt"}
    assert said.json["before"] == before != said.json["build"] == build_of(unit)
    edit(tree, "version.py", "0.1.7", "0.1.8")
    again = update_from(tree, unit, "--json").json
    assert again["copied"] == 0, "the other copy was that of the first version, but for the file that is new"
    airquill("restart", "--port", unit.port).done()
    with Client.open(unit.port) as client:
        assert (client.greeting.firmware, client.greeting.build) == ("0.1.8", again["build"])
        assert client.get("unit.serial", "pump.idle_pct") == {"unit.serial": "HEATHER-07", "pump.idle_pct": 35}
    assert "already" in update_from(tree, unit).done()
    print("first and second update:", said.json["took_s"], again["took_s"], "s")


def test_add_ons_move_along(tmp_path: Path, tree: Path) -> None:
    (tmp_path / "unit").mkdir()
    files = firmware_files(addons=[ROOT / "device/addons/grip_lamp.py"])
    (tmp_path / "unit/flash.bin").write_bytes(build_filesystem(files, RPI_PICO))
    unit = start_unit(tmp_path / "unit")
    try:
        with Client.open(unit.port) as client:
            before = client.greeting.addons
        edit(tree, "version.py", "0.1.0", "0.1.7")
        said = update_from(tree, unit, "--json").json
        assert set(said["sent"]) == {"airquill_device/version.mpy", "build.txt"}
        with Client.open(unit.port) as client:
            assert (client.greeting.addons, client.greeting.build) == (before, said["build"])
        assert before == 1
    finally:
        end(unit)


def test_a_version_that_cannot_start_gives_way(unit: Running, tree: Path) -> None:
    before = build_of(unit)
    edit(tree, "valve.py", "from ", "1 / 0\nfrom ")
    assert "did not greet" in update_from(tree, unit).sentences(1)
    assert build_of(unit) == before


def test_a_version_that_runs_but_does_not_greet_gives_way(unit: Running, tree: Path) -> None:
    before = build_of(unit)
    edit(tree, "verbs.py", '"hello"', '"hullo"')
    edit(tree, "app.py", "_TRIAL_S = const(20)", "_TRIAL_S = const(3)")
    assert "did not greet" in update_from(tree, unit).sentences(1)
    assert build_of(unit) == before


@pytest.mark.parametrize("write", [3, 60, 130])
def test_a_power_cut_in_an_update_is_mended_by_the_same_command(
    unit: Running, tree: Path, write: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every write is cut in test_update_cuts.py; here the whole way, at some."""
    before = build_of(unit)
    edit(tree, "version.py", "0.1.0", "0.1.7")
    hands = Control.at(unit.folder / "control")
    hands.cut_at_write(write)
    with monkeypatch.context() as patch:
        patch.setattr(update, "REQUEST_S", 2.0)
        assert "lost" in update_from(tree, unit).sentences(3)
    hands.power_up()
    deadline = time.monotonic() + 60  # a guard against a hang only: it starts within two seconds
    while time.monotonic() < deadline:
        found = airquill("show", "--port", unit.port)
        if found.code == 0:
            break
    assert before in found.done()
    assert "0.1.7" in update_from(tree, unit).done()
    hands.close()


def test_a_unit_that_is_too_late_is_said_and_mended_by_the_same_command(
    unit: Running, tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    edit(tree, "version.py", "0.1.0", "0.1.7")
    with monkeypatch.context() as patch:
        patch.setattr(update, "TRIAL_S", 0.0)
        assert "did not come back" in update_from(tree, unit).sentences(3)
    assert "already" in wait_until_done(lambda: update_from(tree, unit))
    with Client.open(unit.port) as client:
        assert client.request("files", "slot") == ["slot=b", "trial=off"]


def test_not_while_vacuum_is_on(unit: Running, tree: Path) -> None:
    airquill("do", "pick", "--port", unit.port).done()
    assert "acuum is on" in update_from(tree, unit).sentences(1)
    airquill("do", "release", "--port", unit.port).done()


def test_what_an_update_cannot_do_is_said(unit: Running, tree: Path, tmp_path: Path) -> None:
    assert "no source tree" in airquill("update", "--from", tmp_path, "--port", unit.port).sentences(2)
    (tree / "device/main.py").write_text("import airquill_device.start\n")
    assert "main.py" in update_from(tree, unit).sentences(2)
    edit(tree, "pump.py", "def ", "def 1")
    assert re.search(r"pump.py, line \d+, does not compile", update_from(tree, unit).sentences(2))
    assert "cannot be updated over the line" in airquill("update", "--port", "sim://").sentences(1)
