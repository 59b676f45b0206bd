"""Figures of the outputs: how long the valve is on, and the pump's PWM against its settings."""

from decimal import Decimal

from .figures import Figure
from .unit import Image, Unit

VALVE_ERROR_US = 1000.0
PULSES_MS = (10, 50, 200, 1000)
PWM_STEPS = 1.0
PWM_CASES = ((25_000, "90"), (20_000, "55.5"), (5_000, "42"), (40_000, "80"))
SYSTEM_HZ = 125_000_000
SPIN_UP_MS = 1500.0
REST_MS = 400.0


def valve(image: Image) -> list[Figure]:
    """Valve pulses of several lengths against what was asked, and the peak before the hold."""
    unit = Unit(image)
    chip = unit.chip
    edges = chip.edges(unit.valve)
    errors = []
    for asked_ms in PULSES_MS:
        edges.list.clear()
        unit.client.do("pulse", "valve", asked_ms)
        unit.settle(asked_ms + REST_MS)
        on_ms = (edges.list[-1].at_ns - edges.list[0].at_ns) / 1e6
        errors.append(abs(on_ms - asked_ms) * 1000)
    edges.stop()
    return [
        Figure("valve on-time error", max(errors), "us", VALVE_ERROR_US, about=f"pulses of {PULSES_MS} ms"),
        Figure("valve peak error", _peak_error_us(unit), "us", VALVE_ERROR_US),
    ]


def _peak_error_us(unit: Unit) -> float:
    asked_ms = unit.number("valve.peak_ms")
    log = unit.chip.pwm_log(unit.valve)
    unit.chip.press(unit.pedals[0])
    unit.settle(asked_ms + REST_MS)
    log.stop()
    full = next(at for at, pwm in log.changes if pwm.duty == 1)
    hold = next(at for at, pwm in log.changes if at > full and pwm.duty < 1)
    return abs((hold - full) / 1e6 - asked_ms) * 1000


def pwm(image: Image) -> list[Figure]:
    """Top and compare registers of the pump's slice against frequency and strength as set, in steps of the counter."""
    unit = Unit(image)
    top_error = compare_error = 0.0
    for hz, strength in PWM_CASES:
        unit.client.set({"pump.pwm_hz": hz, "preset2.strength_pct": Decimal(strength)})
        unit.chip.press(unit.pedals[0])
        unit.settle(SPIN_UP_MS)
        now = unit.chip.pwm(unit.pump)
        top_error = max(top_error, abs(now.top + 1 - SYSTEM_HZ / (hz * now.divider)))
        compare_error = max(compare_error, abs(now.compare - float(strength) / 100 * (now.top + 1)))
        unit.chip.release(unit.pedals[0])
        unit.settle(REST_MS)
    return [
        Figure("pump PWM period error", top_error, "steps", PWM_STEPS),
        Figure("pump PWM duty error", compare_error, "steps", PWM_STEPS),
    ]
