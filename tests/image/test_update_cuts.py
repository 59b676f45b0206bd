"""Power cuts at every write to the flash that an update makes: what starts is whole, the same command mends it.

The host's own update talks to the unit's own verb and boot.py, which MicroPython runs on its own VfsLfs2 over flash
whose torn writes are half done (cut_unit.py). The files are the firmware's. The line between the two has tests of its
own.
"""

import hashlib
import json
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, cast

import pytest

from airquill.image import update
from airquill.image.build import ADDON_FOLDER, firmware_files
from airquill.image.layout import RPI_PICO, STORE_BLOCKS
from airquill.image.littlefs import build_filesystem
from airquill.image.sources import STARTERS
from airquill.link.client import Client
from airquill.link.said import Greeting
from airquill.simulator.child import find_micropython
from command_line import FOLDERS, ROOT

pytestmark = [pytest.mark.slow, pytest.mark.timeout(400)]

RUNNER = Path(__file__).with_name("cut_unit.py")

Files = dict[str, bytes]


class CutUnit:
    """The unit, with what an update asks of a Client."""

    def __init__(self, folder: Path, files: Files) -> None:
        disk = folder / "disk.bin"
        disk.write_bytes(build_filesystem(files, RPI_PICO))
        self._process = subprocess.Popen(
            [find_micropython(), "-X", "heapsize=64M", RUNNER, FOLDERS, disk, ROOT / "device/boot.py"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={"PATH": os.environ["PATH"]},
        )
        self.start()

    def ask(self, what: str, **about: Any) -> Any:
        """Have the runner do something; its answer."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(json.dumps({"do": what, **about}) + "\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        if line[:1] not in "[{":
            pytest.fail(line + self._process.stdout.read())
        return json.loads(line)

    def start(self) -> None:
        """Switch it on."""
        self.slot, build, self.trial = self.ask("start")
        self.greeting = Greeting(1, "", build, 1, "", "", "", 1, "power", ())

    def whole(self, files: Files) -> bool:
        """Whether the copy that runs is made of these files, no more and no less."""
        hashes = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
        return bool(self.ask("hashes", letter=self.slot) == hashes)

    def request(self, *fields: str, deadline_s: float = 0.0) -> list[str]:
        (said,) = self.ask("request", fields=fields)
        assert said.startswith("done"), said
        return str(said).split()[1:]

    def wait_for_restart(self, _seconds: float) -> Greeting:
        self.start()
        return self.greeting

    def close(self) -> None:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(20)
        self._process.stdout.close()


def do_update(unit: CutUnit) -> None:
    """What `airquill update` does between opening the port and closing it."""
    client = cast("Client", unit)
    plan = update.make_plan(client)
    if plan.build != plan.before:
        update.carry_out(client, plan)
        update.try_out(client, plan)
    elif plan.on_trial:
        update.keep(client)


def of_a_copy(files: Files, addons: Files, build: str) -> Files:
    """The files that a copy consists of on a unit with these add-ons."""
    inside = {path[1:]: content for path, content in (files | addons).items()}
    manifest = inside["build.txt"]
    inside["build.txt"] = build.encode() + manifest[manifest.index(b"\n") :]
    return {name: content for name, content in inside.items() if name not in (*STARTERS, "wiring.json")}


def an_edit(tree: Path) -> None:
    version = tree / "device/airquill_device/version.py"
    version.write_text(version.read_text().replace("0.1.", "0.1.9"))


def edits_everywhere(tree: Path) -> None:
    for package in ("device/airquill_device", "protocol/airquill_protocol"):
        for path in (tree / package).rglob("*.py"):
            path.write_text(path.read_text() + "\n_edited = 1\n")


@pytest.fixture
def unit(tmp_path: Path) -> Iterator[CutUnit]:
    """A unit as its image made it, with an add-on of its own."""
    addon = tmp_path / "lamp.py"
    addon.write_text("LAMP = 7\n")
    unit = CutUnit(tmp_path, firmware_files(addons=[addon]))
    yield unit
    unit.close()


@pytest.fixture
def edit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[Path], None]], Files]:
    """Change a copy of the sources; it is then what updates bring, and is compiled once for all of them."""
    tree = tmp_path / "tree"
    for name in ("device", "protocol"):
        shutil.copytree(ROOT / name, tree / name, ignore=shutil.ignore_patterns("__pycache__"))

    def bring(change: Callable[[Path], None]) -> Files:
        change(tree)
        files = firmware_files(tree=tree, addon_code=True)
        monkeypatch.setattr(update, "firmware_files", lambda **_: files)
        return files

    return bring


@pytest.mark.parametrize("kind", ["one file, first update", "one file, next update", "every file"])
def test_a_power_cut_at_every_write(
    kind: str, unit: CutUnit, edit: Callable[[Callable[[Path], None]], Files], tmp_path: Path
) -> None:
    addons = {f"{ADDON_FOLDER}/lamp.mpy": firmware_files(addons=[tmp_path / "lamp.py"])[f"{ADDON_FOLDER}/lamp.mpy"]}
    if kind == "one file, next update":
        edit(an_edit)
        do_update(unit)
    before_slot, before_build = unit.slot, unit.greeting.build
    old_files = of_a_copy(update.firmware_files(addon_code=True), addons, before_build)
    files = edit(edits_everywhere if kind == "every file" else an_edit)
    unit.ask("record")
    do_update(unit)
    writes, blocks = unit.ask("stop")
    new_slot, new_build = unit.slot, unit.greeting.build
    new_files = of_a_copy(files, addons, new_build)
    assert new_slot == update.OTHER[before_slot]
    assert new_build != before_build
    assert unit.whole(new_files)
    assert not set(blocks) & set(STORE_BLOCKS), "an update never touches the unit's records"
    kept_old = 0
    for n in range(1, writes + 1):
        unit.ask("cut", n=n)
        unit.start()
        where = f"{kind}, write {n} of {writes}: starts slot {unit.slot}"
        runs_old = unit.slot == before_slot
        assert unit.whole(old_files if runs_old else new_files), where
        kept_old += runs_old
        if unit.trial and n % 2:  # nobody greets: the start after that is the old one
            unit.start()
            assert unit.slot == before_slot, where
            assert unit.whole(old_files), where
        do_update(unit)
        unit.start()
        assert (unit.slot, unit.greeting.build, unit.trial) == (new_slot, new_build, False), where
        assert unit.whole(new_files), where
    assert 0 < kept_old < writes, "cuts came before the new version runs, and after"
    print(
        f"{kind}: cut at each of {writes} writes; {kept_old} times the old version started, {writes - kept_old} the new"
    )
