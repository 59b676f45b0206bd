"""How long it takes to build an image, to flash it, and to update a running unit.

    python tests/benchmarks/update.py --stock-uf2 RPI_PICO-v1.28.0.uf2 [--chip]

On the virtual unit, which works in real time. With --chip also on an emulated RP2040, beside MicroPython's own tool:
`mpremote resume fs cp` of the same files (pip install mpremote). That takes many minutes. Emulated seconds are those of
the chip while the command ran; the chip is slower than a real one, so the host's own work counts less in them.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
for folder in ("host", "protocol", "device", "hil", "tests"):
    sys.path.insert(0, str(ROOT / folder))

import serial  # noqa: E402

from airquill.image.build import build, firmware_files, inspect  # noqa: E402
from airquill.image.update import carry_out, make_plan, try_out  # noqa: E402
from benchmarks.heading import heading  # noqa: E402
from command_line import AIRQUILL, ENVIRONMENT, end, start_unit  # noqa: E402

RUNS = 5
PACKAGES = ("device/airquill_device", "protocol/airquill_protocol")


def command(*arguments: str | Path) -> tuple[Any, float]:
    """Run `airquill ... --json` as a process of its own; what it said, and its seconds from start to end."""
    began = time.perf_counter()
    done = subprocess.run(
        [*AIRQUILL, *map(str, arguments), "--json"],
        env=ENVIRONMENT | {"AIRQUILL_STATE": os.environ["AIRQUILL_STATE"]},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        sys.exit(done.stderr)
    return json.loads(done.stdout), time.perf_counter() - began


def report(what: str, seconds: list[float], about: str) -> None:
    print(f"{what:<58} {statistics.median(seconds):7.2f} s, slowest {max(seconds):7.2f} s   {about}", flush=True)


class Tree:
    """A copy of the sources, for a contributor to edit."""

    def __init__(self, folder: Path) -> None:
        self.path = folder
        self._edits = 0
        for name in ("device", "protocol"):
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))

    def edit_one(self) -> None:
        """Another version number."""
        self._edits += 1
        version = self.path / "device/airquill_device/version.py"
        version.write_text(f'FIRMWARE = "0.9.{self._edits}"\n')

    def edit_all(self) -> None:
        """A line more in every file."""
        self._edits += 1
        for package in PACKAGES:
            for path in (self.path / package).rglob("*.py"):
                path.write_text(path.read_text() + f"\n_edited = {self._edits}\n")


def images(stock: Path, folder: Path) -> Path:
    """Build time and size; returns the image."""
    out = folder / "out.uf2"
    whole = [command("image", "build", "--stock", stock, "--out", out)[1] for _ in range(RUNS)]
    alone = []
    for _ in range(RUNS):
        began = time.perf_counter()
        build(stock, out)
        alone.append(time.perf_counter() - began)
    said = inspect(out)
    carried = sum(file.bytes for file in said.files)
    report("airquill image build, the whole command", whole, f"{said.image_bytes} bytes, {said.blocks} blocks")
    report("the same without Python's own start", alone, f"{len(said.files)} files of {carried} bytes inside")
    return out


def virtual(image: Path, folder: Path) -> None:
    """Flash and update on a virtual unit."""
    running = start_unit(folder / "unit")
    tree = Tree(folder / "tree")
    try:
        flashed = [command("flash", image, "--port", running.port) for _ in range(RUNS)]
        report("airquill flash, virtual unit", [took for _, took in flashed], f"{image.stat().st_size} bytes")
        for kind, change in (("one file", tree.edit_one), ("every file", tree.edit_all)):
            took = []
            for run in range(RUNS + 1):
                change()
                said, seconds = command("update", "--from", tree.path, "--port", running.port)
                about = f"{len(said['sent'])} files of {sum(said['sent'].values())} bytes sent"
                if run or kind == "every file":
                    took.append(seconds)
                else:
                    report("airquill update, one file, first after an image", [seconds], about)
            report(f"airquill update, {kind}", took, about)
    finally:
        end(running)


class Chip:
    """An emulated unit behind a pseudo-terminal."""

    def __init__(self, image: Any) -> None:
        from airquill_hil.chip.bridge import PtyBridge
        from airquill_hil.chip.unit import power_up

        self.chip = power_up(image)
        self._bridge = PtyBridge(self.chip)
        self.port = self._bridge.path
        self._thread = threading.Thread(target=self._bridge.serve)
        self._thread.start()

    def close(self) -> None:
        self._bridge.stop()
        self._thread.join()

    def timed(self, work: Callable[[], object]) -> tuple[float, float]:
        """Emulated and wall seconds of it."""
        emulated, wall = self.chip.ms, time.perf_counter()
        work()
        return (self.chip.ms - emulated) / 1000, time.perf_counter() - wall


@contextlib.contextmanager
def emulated(image: Any) -> Iterator[Chip]:
    """A freshly flashed unit."""
    chip = Chip(image)
    try:
        yield chip
    finally:
        chip.close()


def to_prompt(port: str) -> None:
    """Ctrl-C as the first byte of a line; docs/protocol.md."""
    with serial.Serial(port, timeout=60) as line:
        line.write(b"\n\x03")
        if not line.read_until(b">>> ").endswith(b">>> "):
            sys.exit("The chip did not come to its prompt.")


def mpremote(port: str, *words: str | Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "mpremote", "connect", port, "resume", *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        sys.exit(done.stderr + done.stdout)


def compare(what: str, image: Any, tree: Tree, folder: Path) -> None:
    """The tree's version to a freshly flashed chip, by an update and by mpremote."""

    def say(how: str, took: tuple[float, float], about: str) -> None:
        print(f"{how + ', ' + what:<58} {took[0]:7.1f} s emulated, {took[1]:7.1f} s wall   {about}", flush=True)

    with emulated(image) as unit:
        said: dict[str, Any] = {}
        took = unit.timed(lambda: said.update(command("update", "--from", tree.path, "--port", unit.port)[0]))
        sent = said["sent"]
        about = f"{len(sent)} files of {sum(sent.values())} bytes sent, {said['copied']} copied on the unit"
        say("airquill update, with its trial start", took, about)
    files = firmware_files(tree=tree.path)
    target = folder / "same" / what
    for name in sent:
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        (target / name).write_bytes(files[f"/{name}"])
    with emulated(image) as unit:
        to_prompt(unit.port)
        if len(sent) > 2:
            words: list[str | Path] = ["fs", "cp", "-r", *sorted(target.iterdir()), ":"]
        else:
            words = []
            for name in sent:
                words += ["+"] * bool(words) + ["fs", "cp", target / name, f":{name}"]
        took = unit.timed(lambda: mpremote(unit.port, *words))
        say("mpremote resume fs cp, over what runs, no restart", took, f"{len(sent)} files")


def phases(image: Any, tree: Tree) -> None:
    """Where an update's time goes, in emulated time only: host and line take none."""
    from airquill_hil.chip.unit import Unit

    unit = Unit(image)
    marks = [unit.chip.ms]
    plan = make_plan(unit.client, tree.path)
    marks.append(unit.chip.ms)
    carry_out(unit.client, plan)
    marks.append(unit.chip.ms)
    try_out(unit.client, plan)
    marks.append(unit.chip.ms)
    compared, sent, tried = (f"{(b - a) / 1000:.1f}" for a, b in pairwise(marks))
    print(f"of the update of one file, emulated: compare {compared} s, copy and send {sent} s, trial start {tried} s")


def chips(stock: Path, folder: Path) -> None:
    from airquill_hil.chip.unit import Image

    image = Image(stock)
    try:
        tree = Tree(folder / "one")
        tree.edit_one()
        compare("one file", image, tree, folder)
        phases(image, tree)
        tree = Tree(folder / "all")
        tree.edit_all()
        compare("every file", image, tree, folder)
    finally:
        image.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    named = os.environ.get("AIRQUILL_STOCK_UF2")
    parser.add_argument("--stock-uf2", type=Path, default=named, required=not named, metavar="FILE")
    parser.add_argument("--chip", action="store_true", help="also on an emulated chip, beside mpremote")
    options = parser.parse_args()
    if options.chip and not shutil.which("mpremote", path=Path(sys.executable).parent):
        sys.exit("This needs mpremote beside this Python: pip install mpremote")
    heading()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["AIRQUILL_STATE"] = str(folder / "state")
        image = images(Path(options.stock_uf2), folder)
        virtual(image, folder)
        if options.chip:
            chips(Path(options.stock_uf2), folder)


if __name__ == "__main__":
    main()
