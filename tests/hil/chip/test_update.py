"""An update over the line on the emulated chip: its own MicroPython, its own LittleFS, its own restart.

Oracle: rp2040py 0.3.6 (PyPI) under a stock MicroPython. Its flash takes no time, so times here are those of the line
and of the bytecode.
"""

import shutil
import time
from pathlib import Path

import pytest

from airquill.image.update import carry_out, make_plan, try_out
from conftest import require

try:
    from airquill_hil.chip.unit import Image, Unit
except ImportError:
    require(False, "needs rp2040py: pip install airquill[chip]")

pytestmark = [pytest.mark.chip, pytest.mark.slow, pytest.mark.timeout(1500)]

ROOT = Path(__file__).parents[3]


def changed_tree(folder: Path) -> Path:
    """The sources with another version number."""
    for name in ("device", "protocol"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    version = folder / "device/airquill_device/version.py"
    version.write_text(version.read_text().replace("0.1.0", "0.1.99"))
    return folder


def test_the_built_image_takes_an_update_and_greets_with_its_hash(stock_uf2: Path, tmp_path: Path) -> None:
    image = Image(stock_uf2)
    try:
        unit = Unit(image)
        client = unit.client
        assert image.report is not None
        assert client.greeting.build == image.report.build
        before_ns, before_s = unit.chip.ns, time.perf_counter()
        plan = make_plan(client, changed_tree(tmp_path))
        assert sorted(plan.send) == ["airquill_device/version.mpy", "build.txt"]
        carry_out(client, plan)
        longest = unit.number("loop.tick_us")
        said = try_out(client, plan)
        assert (said.build, said.firmware) == (plan.build, "0.1.99")
        assert said.build != plan.before
        print(
            f"update: {(unit.chip.ns - before_ns) / 1e9:.2f} s emulated, {time.perf_counter() - before_s:.0f} s wall, "
            f"longest pass {longest:g} us"
        )
        assert client.request("files", "slot") == ["slot=b", "trial=off"]
    finally:
        image.close()
