"""What can go wrong around a unit, where only the chip can judge: the built image on the emulated RP2040."""

from __future__ import annotations

import json
import os
import random
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from airquill.image.build import WIRING_PATH, build, firmware_files, reference_wiring
from airquill.image.layout import RPI_PICO
from airquill.image.littlefs import build_filesystem
from airquill.link.client import Client, Refused
from airquill_hil.chip import Chip
from airquill_hil.chip.protocol_chip import url_of
from airquill_hil.chip.unit import AMBIENT_CODE, Image, Unit
from airquill_protocol import frame
from airquill_protocol import tables as t

pytestmark = [pytest.mark.chip, pytest.mark.slow, pytest.mark.timeout(600)]

ROOT = Path(__file__).parents[3]
LAMP = 7
# 10,000 take a quarter of an hour of a processor that does nothing else.
RANDOM_LINES = int(os.environ.get("AIRQUILL_RANDOM_LINES", "100"))


@pytest.fixture(scope="module")
def image(stock_uf2: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Image]:
    """The reference design with the lamp that follows the grip."""
    folder = tmp_path_factory.mktemp("image")
    wiring = folder / "wiring.json"
    plan = json.loads(reference_wiring().read_text()) | {"addons": {"grip_lamp": {"lamp": LAMP}}}
    wiring.write_text(json.dumps(plan))
    out = folder / "lamp.uf2"
    build(stock_uf2, out, wiring, [ROOT / "device" / "addons" / "grip_lamp.py"])
    with closing(Image(out)) as made:
        yield made


@pytest.fixture(scope="module")
def unit(image: Image) -> Unit:
    """A running unit, shared: booting it takes most of the time."""
    return Unit(image)


def gates_low(unit: Unit) -> bool:
    return not unit.chip.level(unit.pump) and not unit.chip.level(unit.valve)


def test_an_add_on_s_lamp_follows_the_grip(unit: Unit) -> None:
    chip, client = unit.chip, unit.client
    assert client.greeting.addons == 1
    assert client.all_readings()["x.grip_lamp.runs"] is True
    client.set({"x.grip_lamp.seeking_pct": 20, "cycle.settle_ms": 300})
    chip.press(unit.pedals[0])
    unit.settle(150)
    assert chip.pwm(LAMP).duty == pytest.approx(0.2, abs=0.001)
    unit.settle(400)
    assert chip.pwm(LAMP).duty == 1
    assert chip.pwm(unit.pump).top == 4999, "the pump keeps its own frequency"
    client.do("stop")
    assert chip.pwm(LAMP).duty == 0
    chip.release(unit.pedals[0])
    unit.settle(50)
    client.do("clear")
    assert client.get("x.grip_lamp.grips") == {"x.grip_lamp.grips": 1}


def test_20_khz_of_edges_on_a_pedal_stop_nothing(unit: Unit) -> None:
    chip = unit.chip
    before, starts = unit.number("pedal1.presses"), chip.starts
    chip.press(unit.pedals[0], edges_us=[25 * count for count in range(1, 8001)])
    unit.settle(150)
    assert unit.number("pedal1.presses") == before
    assert gates_low(unit)
    unit.settle(150)
    assert unit.number("pedal1.presses") == before + 1
    chip.release(unit.pedals[0])
    unit.settle(500)
    assert chip.starts == starts
    assert unit.number("fault.active") == 0


def test_random_lines_get_no_restart_and_the_next_one_its_answer(unit: Unit) -> None:
    chip = unit.chip
    draw = random.Random(11)
    words = [
        "get",
        "set",
        "batch",
        "hello",
        "list",
        "describe",
        "listen",
        "stream",
        "open",
        "pump.ramp_ms",
        '"',
        "=",
        "-1",
    ]
    starts = chip.starts
    for number in range(RANDOM_LINES):
        if number % 2:
            chip.host.write(
                bytes(draw.choice(range(4, 256)) for _ in range(draw.randrange(30))).replace(b"\n", b"") + b"\n"
            )
        else:
            chip.host.write(frame.frame(f"{number} " + " ".join(draw.choices(words, k=draw.randrange(1, 5)))))
        if number % 20 == 0:
            assert chip.run(5000, lambda: not chip.host.unsent_bytes), "lines are no longer taken"
    chip.run(1500)
    unit.client.greet_again()
    assert chip.starts == starts
    assert unit.number("fault.active") == 0


def test_a_host_that_closes_in_the_middle_of_a_line(unit: Unit) -> None:
    unit.client.port.write(b"5 set pump.kick_ms=3")
    unit.client.close()
    unit.chip.run(200)
    unit.client = Client.open(url_of(unit.chip))
    assert unit.client.get("pump.kick_ms") == {"pump.kick_ms": 200}


def test_a_soft_reset_typed_at_the_prompt_brings_the_unit_back_with_its_outputs_low(unit: Unit) -> None:
    chip, client = unit.chip, unit.client
    client.set({"pump.kick_ms": 210}, keep=True)
    chip.press(unit.pedals[0])
    unit.settle(500)
    assert chip.pwm(unit.pump).duty > 0
    edges = [chip.edges(pin) for pin in (unit.pump, unit.valve, LAMP)]
    chip.host.write(b"\x03")
    chip.run(2500)
    assert gates_low(unit)
    assert chip.starts == 1, "the watchdog waits while somebody is at the prompt"
    for noted in edges:
        noted.list.clear()
    chip.host.write(b"\x04")
    chip.run(1500)
    assert gates_low(unit)
    assert [edge for noted in edges for edge in noted.list if edge.high] == []
    assert client.wait_for_restart().cause == "restart"
    assert client.get("pump.kick_ms") == {"pump.kick_ms": 210}
    # The pedal is still down since before: that starts nothing.
    assert gates_low(unit)
    chip.release(unit.pedals[0])


def test_without_a_computer_the_tool_works_and_strokes_are_dropped(image: Image) -> None:
    chip = Chip(image.path, host=False)
    plan = image.wiring()
    chip.set_adc(plan["sensor"]["pin"], AMBIENT_CODE)
    chip.set_adc(plan["supply"]["pin"], 2612)  # 12 V over the divider of the reference design
    chip.wait(3000, lambda: chip.mcu.watchdog.timer.enable, "start its loop")
    for _ in range(2):
        chip.press(plan["pedals"][1])
        chip.run(80)
        chip.release(plan["pedals"][1])
        chip.run(200)
    chip.press(plan["pedals"][0])
    chip.run(300)
    assert chip.pwm(plan["pump"]).duty > 0
    assert chip.pwm(plan["valve"]).duty > 0
    chip.release(plan["pedals"][0])
    chip.run(300)
    assert chip.pwm(plan["valve"]).duty == 0
    assert chip.starts == 1
    assert not chip.reports


@pytest.mark.parametrize("wiring", [None, b'{"board": "x", "pump"'])
def test_a_missing_or_damaged_wiring_file_drives_nothing_and_answers(stock_uf2: Path, wiring: bytes | None) -> None:
    files = firmware_files()
    del files[WIRING_PATH]
    if wiring is not None:
        files[WIRING_PATH] = wiring
    chip = Chip(stock_uf2, file_system=build_filesystem(files, RPI_PICO))
    edges = [chip.edges(pin) for pin in (8, 10, 12)]
    chip.boot()
    chip.host.close_port()
    with Client.open(url_of(chip)) as client:
        assert client.greeting.board == "unwired"
        assert client.get("fault.active") == {"fault.active": t.F_WIRING}
        with pytest.raises(Refused) as error:
            client.do("pick")
        assert error.value.word == "unit_stopped"
        client.set({"pump.kick_ms": 210}, keep=True)
        assert client.get("pump.kick_ms") == {"pump.kick_ms": 210}
    assert [noted.list for noted in edges] == [[], [], []]
