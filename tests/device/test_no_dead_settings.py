"""Every setting of the registry does something: changed, an output, a timing or an event of the virtual unit differs.

Each row is observed three times: with the setting as it was on two units (two seeds, so two noises), which must agree,
and changed, which must differ. A setting of the registry without a row fails.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

import pytest

from airquill.link import catalogue
from airquill.link.convert import Value
from device.bench import Bench

DOWN_ARROW = bytes.fromhex("110051")
PAGE_DOWN = bytes.fromhex("11004e")
TWO_KEYS = bytes.fromhex("110051110052")
CTRL_S = bytes.fromhex("110116")
LONG = DOWN_ARROW * 9
LEARNED: dict[str, Value] = {"preset2.open_kpa": Decimal(12), "preset2.sealed_kpa": Decimal(62)}


@dataclass(frozen=True)
class Row:
    """`change`: the setting's other value; `base`: what else is set on all three units; `see`: what is observed."""

    change: Value
    see: Callable[[Bench], Any]
    base: dict[str, Value] = field(default_factory=dict)


def named(path: str) -> Callable[[Bench], Any]:
    def see(bench: Bench) -> Value:
        bench.restart()
        return bench.read(path)

    return see


def pick_duties(bench: Bench) -> list[int]:
    bench.client.do("pick")
    return bench.duties("pump", 600)


def final_duty(bench: Bench) -> int:
    return pick_duties(bench)[-1]


def kick_end(bench: Bench) -> int:
    duties = pick_duties(bench)
    return next(i for i, duty in enumerate(duties) if i > 2 and duty < duties[2]) * 5


def kick_duty(bench: Bench) -> int:
    return pick_duties(bench)[2]


def ramp_end(bench: Bench) -> int:
    duties = pick_duties(bench)
    return duties.index(duties[-1]) * 5


def duty_after_release(bench: Bench) -> int:
    bench.client.do("pick")
    bench.run(800)
    bench.client.do("release")
    bench.run(800)
    return bench.duties("pump", 5)[0]


def pump_stops_after_s(bench: Bench) -> int:
    duty_after_release(bench)
    for second in range(40):
        if bench.duties("pump", 5)[0] == 0:
            return second
        bench.run(995)
    return -1


def fault_of_long_run(bench: Bench) -> list[Any]:
    bench.listen()
    bench.client.do("pick")
    return [fields[1] for _, fields, _ in bench.events(13_000, "fault")]


def frequencies(bench: Bench) -> tuple[int, int]:
    outputs = bench.hands.outputs()
    return outputs["pump_hz"], outputs["valve_hz"]


def valve_duties(bench: Bench) -> list[int]:
    bench.client.do("pick")
    return bench.duties("valve", 200)


def vent_ms(bench: Bench) -> int:
    bench.client.do("pick")
    bench.run(500)
    bench.listen()
    bench.client.do("release")
    return next(ms // 10 for topic, fields, ms in bench.events(1500, "cycle") if fields[0] == "idle")


def blows(bench: Bench) -> bool:
    bench.client.do("pick")
    bench.run(500)
    bench.client.do("release")
    bench.run(2)
    return bool(bench.unit.world.air.blow_open)


def press_states(bench: Bench, pedal: int) -> list[Any]:
    """What the cycle does on a press of 400 ms and another."""
    bench.listen()
    seen = []
    for _ in range(2):
        bench.hands.press(pedal, ms=400, bounce="clean")
        seen += [fields[0] for _, fields, _ in bench.events(700, "cycle")]
    return seen


def preset_after(bench: Bench, pedal: int, presses: tuple[int, ...]) -> Value:
    for ms in presses:
        bench.hands.press(pedal, ms=ms, bounce="clean")
        bench.run(ms + 60)
    bench.run(1000)
    return bench.read("preset.active")


def keys_after(bench: Bench, pedal: int, presses: tuple[int, ...]) -> list[str]:
    first = len(bench.hands.reports())
    for ms in presses:
        bench.hands.press(pedal, ms=ms, bounce="clean")
        bench.run(ms + 60)
    bench.run(1000)
    return [report.hex() for _, report in bench.hands.reports(first) if any(report)]


def pedal_times(bench: Bench, pedal: int) -> list[int]:
    bench.listen()
    bench.hands.press(pedal, ms=300, bounce="clean")
    return [ms // 2 for _, _, ms in bench.events(900, "pedal")]


def presses_counted(bench: Bench, pedal: int) -> Value:
    bench.hands.press(pedal, ms=30, bounce="clean")
    bench.run(70)
    bench.hands.press(pedal, ms=30, bounce="clean")
    bench.run(500)
    return bench.read(f"pedal{pedal}.presses")


def gesture_times(bench: Bench, pedal: int, ms: int) -> list[Any]:
    bench.listen()
    bench.hands.press(pedal, ms=ms, bounce="clean")
    return [(fields[1], at // 20) for _, fields, at in bench.events(ms + 1200, "gesture")]


def is_down(bench: Bench, pedal: int) -> Value:
    bench.hands.contact(pedal, normally_closed=True)
    bench.run(200)
    bench.hands.press(pedal, bounce="clean")
    bench.run(200)
    return bench.read(f"pedal{pedal}.down")


def stuck_notice(bench: Bench, pedal: int) -> list[Any]:
    bench.listen()
    bench.hands.press(pedal, bounce="clean")
    return [fields[1] for _, fields, _ in bench.events(9000, "fault")]


def struck(program: bytes) -> Callable[[Bench], list[tuple[int, str]]]:
    def see(bench: Bench) -> list[tuple[int, str]]:
        first = len(bench.hands.reports())
        if bench.refused("strike", program):
            return []
        reports = bench.reports(900, first)
        return [(ms - reports[0][0], report) for ms, report in reports]

    return see


def grip_story(bench: Bench, tips: tuple[Any, ...], each_ms: int = 1200) -> list[Any]:
    bench.listen()
    bench.client.do("pick")
    seen = []
    for tip in tips:
        bench.hands.tip(tip)
        seen += [fields[0] for _, fields, _ in bench.events(each_ms, "grip")]
    bench.client.do("release")
    return seen + [fields[0] for _, fields, _ in bench.events(500, "grip")]


def grip_keys(bench: Bench, tips: tuple[Any, ...]) -> list[str]:
    first = len(bench.hands.reports())
    grip_story(bench, tips)
    return [report.hex() for _, report in bench.hands.reports(first) if any(report)]


def grip_found_ms(bench: Bench) -> int:
    bench.hands.tip("sealed")
    bench.listen()
    bench.client.do("pick")
    return next(ms for _, fields, ms in bench.events(1500, "grip") if fields[0] == "found") // 60


def holding_ms(bench: Bench) -> int:
    bench.listen()
    bench.client.do("pick")
    return next(ms for _, fields, ms in bench.events(3000, "cycle") if fields[0] == "holding") // 10


def missed_ms(bench: Bench) -> int:
    bench.listen()
    bench.client.do("pick")
    return next(ms for _, fields, ms in bench.events(4000, "grip") if fields[0] == "missed") // 10


def levels(bench: Bench, tip: str | float = "sealed") -> list[int]:
    """Levels of duty that a pick of three seconds has, in order, short ones of the ramp left out."""
    bench.hands.tip(tip)
    bench.client.do("pick")
    duties = bench.duties("pump", 3000, every_ms=20)
    return [level for level, run in itertools.groupby(duties) if len(list(run)) >= 4]


def first_low_s(bench: Bench) -> int:
    bench.hands.tip("sealed")
    bench.client.do("pick")
    duties = bench.duties("pump", 4000, every_ms=20)
    return next(i for i, duty in enumerate(duties) if duty == 35) // 30


def vacuum_at_rest(bench: Bench) -> int:
    bench.run(500)
    return round(Decimal(str(bench.read("vacuum.kpa"))) / 10)


def vacuum_sealed(bench: Bench) -> int:
    bench.hands.tip("sealed")
    bench.client.do("pick")
    bench.run(2000)
    return round(Decimal(str(bench.read("vacuum.kpa"))) / 8)


def falls_at_once(bench: Bench) -> bool:
    vacuum_sealed(bench)
    bench.client.do("release")
    bench.run(120)
    return Decimal(str(bench.read("vacuum.kpa"))) < 15


def light(bench: Bench) -> Any:
    bench.run(100)
    return bench.hands.lights()["brightness_pct"]


def strength_after_turn(bench: Bench) -> Value:
    bench.run(100)
    bench.hands.knob(1)
    bench.run(100)
    return bench.read("preset.strength_pct")


def due_notices(bench: Bench) -> bool:
    bench.client.save()
    bench.with_life(pump_h=150, filter_h=150)
    bench.run(1500)
    return bench.app.noticed(26), bench.app.noticed(27)


def pedal_rows(n: int) -> dict[str, Row]:
    p = f"pedal{n}."
    plain: dict[str, Value] = {p + "vacuum": "none"}
    other = "latching" if n == 1 else "momentary"
    return {
        p + "vacuum": Row(other, lambda b: press_states(b, n)),
        p + "tap_does": Row("next_preset", lambda b: preset_after(b, n, (80,)), plain),
        p + "hold_does": Row("next_preset", lambda b: preset_after(b, n, (900,)), plain),
        p + "double_does": Row("next_preset", lambda b: preset_after(b, n, (60, 60)), plain),
        p + "tap_keys": Row(PAGE_DOWN, lambda b: keys_after(b, n, (80,)), plain),
        p + "hold_keys": Row(PAGE_DOWN, lambda b: keys_after(b, n, (900,)), plain),
        p + "double_keys": Row(PAGE_DOWN, lambda b: keys_after(b, n, (60, 60)), plain),
        p + "press_ms": Row(40, lambda b: pedal_times(b, n), plain),
        p + "release_ms": Row(150, lambda b: pedal_times(b, n), plain),
        p + "lockout_ms": Row(400, lambda b: presses_counted(b, n), plain),
        p + "hold_ms": Row(1000, lambda b: gesture_times(b, n, 1300), plain | {p + "hold_keys": PAGE_DOWN}),
        p + "double_ms": Row(550, lambda b: gesture_times(b, n, 100), plain | {p + "double_keys": PAGE_DOWN}),
        p + "contact": Row("normally_closed", lambda b: is_down(b, n), plain),
        p + "stuck_s": Row(5, lambda b: stuck_notice(b, n), plain),
    }


def preset_rows(n: int) -> dict[str, Row]:
    p = f"preset{n}."
    used: dict[str, Value] = {"preset.count": 8, "preset.active": n}
    learned: dict[str, Value] = used | {
        p + "open_kpa": Decimal(12),
        p + "sealed_kpa": Decimal(62),
        p + "strength_pct": Decimal(80),
    }
    two_level: dict[str, Value] = used | {"control.mode": "two_level", p + "strength_pct": Decimal(80)}
    return {
        p + "name": Row("Heather ICs", named(p + "name")),
        p + "strength_pct": Row(Decimal(95), final_duty, used),
        p + "target_kpa": Row(Decimal(0), levels, two_level),
        p + "open_kpa": Row(Decimal(0), lambda b: grip_story(b, ("sealed",)), learned),
        p + "sealed_kpa": Row(Decimal(0), lambda b: grip_story(b, ("sealed",)), learned),
    }


ROWS: dict[str, Row] = {
    "unit.name": Row("Left bench", named("unit.name")),
    "unit.serial": Row("H-0007", named("unit.serial")),
    "unit.baseline": Row("22G sealed_kpa=61.2", named("unit.baseline")),
    "pump.pwm_hz": Row(20000, frequencies),
    "pump.kick_ms": Row(100, kick_end),
    "pump.kick_pct": Row(Decimal(90), kick_duty),
    "pump.ramp_ms": Row(1000, ramp_end, {"pump.kick_ms": 50}),
    "pump.floor_pct": Row(Decimal(50), final_duty, {"preset2.strength_pct": Decimal(10)}),
    "pump.idle_pct": Row(Decimal(60), duty_after_release),
    "pump.idle_off_s": Row(5, pump_stops_after_s),
    "pump.longest_run_s": Row(10, fault_of_long_run),
    "valve.pwm_hz": Row(20000, frequencies),
    "valve.peak_ms": Row(100, valve_duties),
    "valve.hold_pct": Row(Decimal(30), valve_duties),
    "valve.vent_ms": Row(600, vent_ms),
    "valve.blow_ms": Row(50, blows),
    **pedal_rows(1),
    **pedal_rows(2),
    "keys.hold_ms": Row(100, struck(DOWN_ARROW)),
    "keys.gap_ms": Row(200, struck(TWO_KEYS)),
    "keys.on_gripped": Row(PAGE_DOWN, lambda b: grip_keys(b, ("sealed",)), LEARNED),
    "keys.on_released": Row(PAGE_DOWN, lambda b: grip_keys(b, ("sealed",)), LEARNED),
    "keys.on_missed": Row(PAGE_DOWN, lambda b: grip_keys(b, ("open", "open")), LEARNED),
    "keys.on_lost": Row(PAGE_DOWN, lambda b: grip_keys(b, ("sealed", "open")), LEARNED),
    "keys.allow_system": Row(True, struck(CTRL_S)),
    "keys.allow_text": Row(True, struck(LONG)),
    "cycle.settle_ms": Row(900, holding_ms),
    "cycle.miss_ms": Row(3000, missed_ms, LEARNED),
    "grip.detect": Row(False, lambda b: grip_story(b, ("open", "sealed")), LEARNED),
    "grip.found_pct": Row(20, lambda b: grip_story(b, (0.5,)), LEARNED | {"grip.lost_pct": 15}),
    "grip.lost_pct": Row(60, lambda b: grip_story(b, ("sealed", 0.3)), LEARNED | {"grip.found_pct": 85}),
    "grip.qualify_ms": Row(200, grip_found_ms, LEARNED),
    "control.mode": Row("two_level", levels),
    "control.low_pct": Row(Decimal(50), levels, {"control.mode": "two_level"}),
    "control.hysteresis_kpa": Row(
        Decimal(20),
        lambda b: len(levels(b, 0.1)) > 2,
        {"control.mode": "two_level", "preset2.target_kpa": Decimal(45), "control.low_pct": Decimal(31)},
    ),
    "control.min_ms": Row(2500, first_low_s, {"control.mode": "two_level"}),
    "preset.count": Row(3, lambda b: preset_after(b, 2, (60, 60)), {"pedal2.tap_does": "next_preset"}),
    "preset.active": Row(1, final_duty),
    **{path: row for n in range(1, 9) for path, row in preset_rows(n).items()},
    "sensor.zero_code": Row(20000, vacuum_at_rest),
    "sensor.span_kpa": Row(Decimal(200), vacuum_sealed),
    "sensor.filter_ms": Row(500, falls_at_once),
    "panel.brightness_pct": Row(90, light),
    "panel.lock": Row(True, strength_after_turn),
    "panel.step_pct": Row(Decimal(5), strength_after_turn),
    "service.filter_h": Row(200, due_notices),
    "service.pump_h": Row(120, due_notices),
}


def observe(row: Row, seed: int, more: dict[str, Value]) -> Any:
    bench = Bench(seed)
    try:
        bench.change(row.base)
        bench.change(more)
        return row.see(bench)
    finally:
        bench.close()


def test_every_setting_has_a_row() -> None:
    assert set(ROWS) == {entry.path for entry in catalogue.SETTINGS}


@pytest.mark.parametrize("path", sorted(ROWS))
def test_setting_matters(path: str) -> None:
    row = ROWS[path]
    as_it_was = observe(row, 1, {})
    assert observe(row, 2, {}) == as_it_was, "the observation must not depend on noise"
    assert observe(row, 1, {path: row.change}) != as_it_was
