"""`airquill demo` for real: it tells the truth about a sound unit, and fails when the keyboard part is broken."""

from __future__ import annotations

import re
import shutil
import subprocess
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from matplotlib.image import imread

from airquill.image.build import firmware_files
from airquill.image.compile import compile_files
from airquill.image.layout import RPI_PICO
from airquill.image.littlefs import build_filesystem
from airquill.image.sources import device_files
from airquill.report.palette import VACUUM
from airquill_hil.record import Record
from command_line import AIRQUILL, ENVIRONMENT
from report.test_pages import outside

KEYBOARD = "/airquill_device/keyboard.py"


def demo(*arguments: str | Path, timeout_s: float = 110) -> subprocess.CompletedProcess[str]:
    command = [*AIRQUILL, "demo", *(str(argument) for argument in arguments)]
    return subprocess.run(command, env=ENVIRONMENT, capture_output=True, text=True, timeout=timeout_s, check=False)


class Interpreters(threading.Thread):
    """Process ids of the MicroPython interpreters that a virtual unit in a folder started while this was entered."""

    def __init__(self, folder: Path) -> None:
        super().__init__(daemon=True)
        self._folder = str(folder.resolve()).encode()
        self._over = threading.Event()
        self.pids: set[int] = set()

    def run(self) -> None:
        while not self._over.wait(0.1):
            for path in Path("/proc").glob("[0-9]*/cmdline"):
                try:
                    if b"heapsize" not in path.read_bytes():
                        continue
                    parent = (path.parent / "stat").read_text().rpartition(")")[2].split()[1]
                    command = Path("/proc", parent, "cmdline").read_bytes()
                except OSError:
                    continue
                if self._folder in command:
                    self.pids.add(int(path.parent.name))

    def __enter__(self) -> Interpreters:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self.join()


@dataclass
class Told:
    """A demonstration that was run for real."""

    done: subprocess.CompletedProcess[str]
    folder: Path
    pids: set[int]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    folder = tmp_path_factory.mktemp("demo")
    with Interpreters(folder) as interpreters:
        done = demo("--dir", folder, "--html", folder / "heather.html")
    return Told(done, folder, interpreters.pids)


def test_demo_end_to_end(told: Told) -> None:
    said = told.done.stdout
    assert told.done.returncode == 0, said + told.done.stderr
    assert len(told.pids) == 2, "the unit's process did not restart"
    assert "\x1b" not in said, "colours on a pipe"
    assert "Traceback" not in told.done.stderr
    assert re.search(r"Keys the computer saw +Down Arrow, Page Down, Page Down\n", said)
    assert re.search(r"Verdict +accepted", said)
    assert re.search(r"┼─+p+h+r+─+", said), "no trace in the terminal"
    record = Record.model_validate_json(next((told.folder / "records").glob("HEATHER-07-*.json")).read_text())
    assert record.verdict == "accepted"


def test_page_of_the_demo_is_self_contained(told: Told) -> None:
    page = (told.folder / "heather.html").read_text()
    assert outside(page) == []
    assert page.count("<svg ") == 1 and "Page Down" in page and "accepted" in page


def test_a_browser_draws_the_page_of_the_demo(told: Told, require: Callable[[object, str], None]) -> None:
    """The trace is in the picture, in its colour and as wide as a trace is."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    require(browser, "needs Chromium to draw the page: apt-get install chromium")
    picture = told.folder / "page.png"
    command = [str(browser), "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
    command += [f"--user-data-dir={told.folder / 'browser'}", "--window-size=1000,2200", f"--screenshot={picture}"]
    subprocess.run([*command, f"file://{told.folder / 'heather.html'}"], capture_output=True, timeout=60, check=True)
    pixels = imread(picture)
    assert pixels.shape[:2] == (2200, 1000)
    wanted = [int(VACUUM[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    near = (abs(pixels[:, :, :3] - wanted) < 0.03).all(axis=2)
    rows, columns = near.any(axis=1).nonzero()[0], near.any(axis=0).nonzero()[0]
    assert len(columns) > 300 and len(rows) > 150, "the trace is not in the picture"


@pytest.mark.parametrize(
    ("line", "broken", "saw"),
    [
        ("        if len(program) == 0:\n            return False\n", "        return False\n", "no key at all"),
        (
            "            first[n] = program[at + n] if n < 2 + keys else 0\n",
            "            first[n] = program[at + n] + 1 if n < 2 + keys else 0\n",
            "Up Arrow",
        ),
        (
            "        if not self.board.key_report(report):\n",
            "        if phase != _KEYS_UP and not self.board.key_report(report):\n",
            "Down Arrow still down",
        ),
    ],
    ids=["dead", "wrong key", "never lets go"],
)
def test_a_broken_keyboard_part_fails_the_demo(tmp_path: Path, line: str, broken: str, saw: str) -> None:
    """The firmware in the unit's flash is the real one but for one line; the setting it reads back is still right."""
    sources = device_files()
    text = sources[KEYBOARD].read_text()
    assert text.count(line) == 1
    patched = tmp_path / "patched" / "keyboard.py"
    patched.parent.mkdir()
    patched.write_text(text.replace(line, broken))
    compiled = compile_files({**sources, KEYBOARD: patched})
    flash = tmp_path / "unit" / "flash.bin"
    flash.parent.mkdir()
    flash.write_bytes(build_filesystem({**firmware_files(), **compiled}, RPI_PICO))
    done = demo("--dir", tmp_path)
    assert done.returncode == 1, done.stdout
    assert "Bind the second pedal to Down Arrow: expected" in done.stderr and saw in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "airquill-demo.html").exists()


def test_a_place_that_cannot_be_used(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    done = demo("--dir", tmp_path / "file")
    assert done.returncode in (1, 2)
    assert "Traceback" not in done.stderr and "file" in done.stderr
