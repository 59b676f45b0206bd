"""Is what board.py asks of the chip there, and called as it should be? Checked against the signatures that
micropython-rp2-rpi_pico-stubs (PyPI, 1.28.0.post4) publishes for stock MicroPython 1.28 on the RP2040."""

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
STUBS = "micropython-rp2-rpi_pico-stubs==1.28.0.post4"
# The device's code carries no annotations: what mypy can say about those is left out, what it says about calls stays.
LEFT_OUT = ("var-annotated", "has-type", "union-attr", "assignment")
# The stubs give a pin's irq() the interrupt objects of two other chips.
WRONG_STUB = '"trigger" of "_IRQ_ESP'


@pytest.fixture
def stubs(request: pytest.FixtureRequest, require: Callable[[object, str], None]) -> Path:
    """The stubs in a folder of their own: in site-packages they would hide the PC's modules from the type checker."""
    folder: Path = request.config.cache.mkdir("chip-stubs")  # type: ignore[union-attr]
    if not (folder / "machine.pyi").exists():
        install = [sys.executable, "-m", "pip", "install", "--quiet", "--target", str(folder), STUBS]
        got = subprocess.run(install, capture_output=True, check=False, timeout=90)
        require(got.returncode == 0, f"needs {STUBS}, which pip could not install")
    return folder


def complaints(source: Path, stubs: Path) -> list[str]:
    """What mypy says against `source`; the stubs' own errors are none of ours."""
    run = [
        *(sys.executable, "-m", "mypy", "--config-file=", "--no-site-packages", "--no-incremental", "--platform=rp2"),
        *("--check-untyped-defs", "--explicit-package-bases", "--namespace-packages"),
        *(f"--custom-typeshed-dir={stubs}", f"--cache-dir={os.devnull}"),
        *(f"--disable-error-code={code}" for code in LEFT_OUT),
        source.name,
    ]
    paths = ":".join(str(path) for path in (ROOT / "device", ROOT / "protocol", stubs))
    environment = os.environ | {"MYPYPATH": paths}
    done = subprocess.run(
        run, env=environment, cwd=source.parent, capture_output=True, text=True, check=False, timeout=90
    )
    assert done.returncode in (0, 1), done.stdout + done.stderr
    found = [line for line in done.stdout.splitlines() if line.startswith(f"{source.name}:") and ": error:" in line]
    return [line for line in found if WRONG_STUB not in line]


def test_board_calls_what_the_chip_has(stubs: Path, tmp_path: Path) -> None:
    assert complaints(ROOT / "device" / "airquill_device" / "board.py", stubs) == []
    # and the check sees calls that the chip does not have
    broken = tmp_path / "broken.py"
    broken.write_text("import machine\n\nmachine.WDT(timeout=2).pause()\nmachine.Pin(1, machine.Pin.OUT, values=0)\n")
    assert len(complaints(broken, stubs)) == 2
