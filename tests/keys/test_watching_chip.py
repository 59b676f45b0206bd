"""`keys watch` on the emulated chip: the time that it shows lies as near to the truth as it says."""

from __future__ import annotations

import random
from contextlib import closing
from pathlib import Path

import pytest

pytest.importorskip("rp2040py", reason="needs the emulator: pip install airquill[chip]")

from airquill.keys.report import KeyEvent
from airquill.keys.watching import LONGEST_US, CapturedReports, watch
from airquill_hil.chip.unit import Image, Unit

pytestmark = [pytest.mark.chip, pytest.mark.slow, pytest.mark.timeout(1800)]

PRESSES = 8
APART_S = 0.15


def test_times_are_as_exact_as_said(stock_uf2: Path) -> None:
    with closing(Image(stock_uf2)) as image:
        unit = Unit(image)
    chip = unit.chip
    chip.run(200)
    captured = CapturedReports(lambda first: [(round(one.taken_ns / 1000), one.data) for one in chip.reports[first:]])
    phase = random.Random(1)
    pressed_us: list[float] = []

    def received() -> list[KeyEvent]:
        """The foot comes down between two looks, anywhere in the host's frame."""
        keys = list(captured())
        if len(pressed_us) < PRESSES and chip.ns / 1e3 > (pressed_us[-1] if pressed_us else 0) + APART_S * 1e6:
            chip.release(unit.pedals[1])
            chip.run(60 + phase.random())
            pressed_us.append(chip.ns / 1e3)
            chip.press(unit.pedals[1])
        return keys

    came = [one for one in watch(unit.client, received, PRESSES * 2.2 * APART_S + 0.5) if one.key.down]
    unit.client.close()
    assert len(came) == PRESSES
    for one, at_us in zip(came, pressed_us, strict=True):
        assert one.pedal == 2
        assert one.after_pedal_ms is not None and one.within_ms is not None
        off_ms = one.after_pedal_ms - (one.key.time_us - at_us) / 1000
        print(f"{one.after_pedal_ms:.2f} ms, give or take {one.within_ms:.2f}; off by {off_ms:.2f}")
        assert abs(off_ms) <= one.within_ms + 0.02, "and the interrupt's own time"
        assert one.within_ms <= LONGEST_US / 2000 + 0.01
