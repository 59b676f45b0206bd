"""Firmware that stands still with vacuum on: the chip's watchdog ends it, and the gates are low then."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("rp2040py", reason="needs the emulator: pip install airquill[chip]")

from airquill_hil.chip.unit import Image, Unit

pytestmark = [pytest.mark.chip, pytest.mark.slow, pytest.mark.timeout(300)]


def test_the_watchdog_ends_a_hang_with_vacuum_on(stock_uf2: Path) -> None:
    unit = Unit(Image(stock_uf2))
    unit.client.do("pick")
    unit.settle(300)
    assert unit.chip.pwm(unit.pump).duty > 0.2
    begun_ms = unit.chip.ms
    log = unit.chip.pwm_log(unit.pump)
    unit.client.do("hang")
    assert unit.client.wait_for_restart(20).cause == "watchdog"
    low_ms = next(at / 1e6 for at, pwm in log.changes if pwm.duty == 0) - begun_ms
    # machine.WDT(timeout=2000) in the board file; MicroPython's own watchdog, RP2040 data sheet, 4.7.
    assert low_ms == pytest.approx(2000, abs=60)
    assert unit.client.get("cycle.state") == {"cycle.state": "idle"}
    unit.client.close()
