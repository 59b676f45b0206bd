"""How long it takes to build an image, to flash it, and to update a running unit.

    python tests/benchmarks/update.py --stock-uf2 RPI_PICO-v1.28.0.uf2 [--chip]

On the virtual unit, which works in real time. With --chip also on an emulated RP2040, beside MicroPython's own tool:
`mpremote resume fs cp` of the same files (pip install mpremote). That takes many minutes. Emulated seconds are those of
the chip while the command ran; the host's own work, a second or two, hardly counts in them, nor does flash, which takes
no time there.
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
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
for folder in ("host", "protocol", "device", "hil", "tests"):
    sys.path.insert(0, str(ROOT / folder))

import serial  # noqa: E402

from airquill.image.build import build, firmware_files, inspect  # noqa: E402
from benchmarks.heading import heading  # noqa: E402
from command_line import AIRQUILL, ENVIRONMENT, airquill, end, start_unit  # noqa: E402

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


class Clock:
    """From here on: emulated seconds, wall seconds, and this process's, which are what an idle machine would need."""

    def __init__(self, chip: Any) -> None:
        self._chip = chip
        self._began = chip.ms / 1000, time.perf_counter(), time.process_time()

    def say(self, what: str, about: str) -> None:
        now = self._chip.ms / 1000, time.perf_counter(), time.process_time()
        emulated, wall, processor = (b - a for a, b in zip(self._began, now, strict=True))
        print(
            f"{what:<58} {emulated:6.1f} s emulated, {wall:6.0f} s wall, {processor:6.0f} s of processor   {about}",
            flush=True,
        )


@contextlib.contextmanager
def pty_of(chip: Any) -> Iterator[str]:
    """The chip's port as a pseudo-terminal, for another program."""
    from airquill_hil.chip.bridge import PtyBridge

    bridge = PtyBridge(chip)
    thread = threading.Thread(target=bridge.serve)
    thread.start()
    try:
        yield bridge.path
    finally:
        bridge.stop()
        thread.join()


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


def update(what: str, chip: Any, tree: Tree) -> list[str]:
    """The tree's version to a chip by an update; names of the files that were sent."""
    from airquill_hil.chip.protocol_chip import url_of

    clock = Clock(chip)
    # In this process, so that waits count emulated seconds: by its own clock a chip this slow does not answer in time.
    said = airquill("update", "--from", tree.path, "--port", url_of(chip), "--json").json
    sent = said["sent"]
    about = f"{len(sent)} files of {sum(sent.values())} bytes sent, {said['copied']} copied on the unit"
    clock.say(f"airquill update, {what}", about)
    return list(sent)


def copy_over(what: str, chip: Any, tree: Tree, names: list[str], folder: Path) -> None:
    """The same files to a chip by mpremote, over those that it runs."""
    files = firmware_files(tree=tree.path)
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(files[f"/{name}"])
    words: list[str | Path] = []
    for name in names if len(names) < 3 else ():
        words += [*["+"] * bool(words), "fs", "cp", folder / name, f":{name}"]
    with pty_of(chip) as port:
        to_prompt(port)
        clock = Clock(chip)
        mpremote(port, *(words or ["fs", "cp", "-r", *sorted(folder.iterdir()), ":"]))
        clock.say(f"mpremote resume fs cp, {what}", f"{len(names)} files, without a restart")


def chips(stock: Path, folder: Path) -> None:
    """Updates of an emulated chip, beside mpremote."""
    from airquill_hil.chip.unit import Image, power_up

    image = Image(stock)
    try:
        chip, tree = power_up(image), Tree(folder / "tree")
        tree.edit_one()
        update("one file, first after an image", chip, tree)
        tree.edit_one()
        one = update("one file", chip, tree)
        copy_over("one file", power_up(image), tree, one, folder / "one")
        tree.edit_all()
        every = update("every file", power_up(image), tree)
        copy_over("every file", power_up(image), tree, every, folder / "every")
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
