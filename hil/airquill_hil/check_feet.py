"""Checks of pedals and panel: presses, latency, gestures, knob."""

from __future__ import annotations

from collections.abc import Callable

from airquill.link.convert import Value as LinkValue
from airquill_hil.bench import Bench
from airquill_hil.check import Check, Figure, Measured

QUIET_S = 0.6
PRESS_MS = 300
BLIP_MS = 2  # below the shortest agreement time that the check sets
CLICKS = 4
UNDO_S = 3.5  # for three seconds a push takes a turn back
LOOKED_S = 0.3
LAMPS = 5
LIT = (5, 3, 1)


def _pedal(bench: Bench) -> Measured:
    found = Measured()
    for pedal in (1, 2):
        events = _press(bench, pedal)
        presses = sum(down for number, down in events if number == pedal)
        strays = sum(number != pedal for number, _ in events)
        wrong = f"{strays} events of the other pedal came with it." if strays else ""
        found.put(f"pedal{pedal}_presses", float(presses + strays), wrong)
    return found


def _press(bench: Bench, pedal: int) -> list[tuple[int, bool]]:
    """Pedal events of one press, as (pedal, down)."""
    events: list[tuple[int, bool]] = []
    unit = bench.unit
    for _ in unit.events(0):
        pass
    unit.listen("pedal")
    bench.hands.press(pedal)
    end = unit.port.now() + bench.hands.patience_s
    latest = end + QUIET_S  # a cable that chatters never comes to rest
    while (left := min(end, latest) - unit.port.now()) > 0:
        for event in unit.events(min(left, QUIET_S)):
            if event.topic == "pedal":
                events.append((int(str(event.fields["pedal"])), event.fields["down"] is True))
                end = unit.port.now() + QUIET_S
    unit.listen()
    return events


def _latency(bench: Bench) -> Measured:
    """Each pedal moves clean, then for a moment too short to count; what follows is timed at the valve's gate."""
    found = Measured()
    unit = bench.unit
    down_ms: list[float | None] = []
    up_ms: list[float | None] = []
    blips = 0
    for pedal in (1, 2):
        name = f"pedal{pedal}"
        wanted: dict[str, LinkValue] = {
            f"{name}.vacuum": "momentary",
            f"{name}.press_ms": 3,
            f"{name}.release_ms": 20,
            f"{name}.lockout_ms": 30,
        }
        with bench.settings(wanted):
            bench.rig.record()
            moved_us = bench.rig.press(pedal, PRESS_MS)
            unit.port.sleep(PRESS_MS / 1000 + QUIET_S)
            drives = bench.rig.drives()
            on_us = next((one.us for one in drives if one.us >= moved_us and one.valve > 0), None)
            off_us = next((one.us for one in drives if on_us is not None and one.us > on_us and one.valve == 0), None)
            down_ms.append(None if on_us is None else (on_us - moved_us) / 1000)
            up_ms.append(None if off_us is None else (off_us - moved_us) / 1000 - PRESS_MS)
            before = unit.get(f"{name}.presses")[f"{name}.presses"]
            bench.rig.press(pedal, BLIP_MS)
            unit.port.sleep(QUIET_S)
            blips += unit.get(f"{name}.presses")[f"{name}.presses"] != before
    found.put("press_latency_ms", _worst(down_ms), "Of the slower pedal, from its contact to the valve's gate.")
    found.put("release_latency_ms", _worst(up_ms), "Of the slower pedal, from its contact to the valve's gate.")
    found.put("blips_counted", float(blips), f"A contact closed for {BLIP_MS} ms counted.")
    return found


def _worst(values: list[float | None]) -> float | None:
    there = [value for value in values if value is not None]
    return max(there) if len(there) == len(values) else None


def _gesture(bench: Bench) -> Measured:
    found = Measured()
    unit = bench.unit
    for pedal in (1, 2):
        name = f"pedal{pedal}"
        wanted: dict[str, LinkValue] = {
            f"{name}.vacuum": "none",
            f"{name}.tap_does": "none",
            f"{name}.tap_keys": "",
            f"{name}.hold_keys": "",
            f"{name}.double_keys": "",
            f"{name}.hold_does": "release",
            f"{name}.double_does": "release",
        }
        hands = bench.hands
        made: tuple[tuple[str, Callable[[int], None]], ...] = (
            ("tap", hands.press),
            ("hold", hands.hold),
            ("double", hands.double),
        )
        told: list[str] = []
        with bench.settings(wanted):
            for _, make in made:
                for _ in unit.events(0):
                    pass
                unit.listen("gesture")
                make(pedal)
                event = unit.wait_for("gesture", hands.patience_s, pedal=pedal)
                told.append(str(event.fields["gesture"]) if event else "nothing")
                unit.listen()
                unit.port.sleep(QUIET_S)
        wrong = sum(said != meant for said, (meant, _) in zip(told, made, strict=True))
        found.put(f"pedal{pedal}_gestures_wrong", float(wrong), f"Tap, hold, double came as {', '.join(told)}.")
    return found


def _panel(bench: Bench) -> Measured:
    found = Measured()
    unit = bench.unit
    with bench.settings({"panel.lock": False, "panel.step_pct": 2, "preset.active": 1}):
        unit.do("strength", 50)
        bench.hands.knob(CLICKS)
        unit.port.sleep(LOOKED_S)
        found.put("knob_clicks", (_strength(bench) - 50) / 2)
        unit.port.sleep(UNDO_S)
        bench.hands.push()
        unit.port.sleep(LOOKED_S)
        now = int(str(unit.get("preset.active")["preset.active"]))
        found.put("push_steps", float(now - 1))
    return found


def _bar(bench: Bench) -> Measured:
    """The bar as strength, lamp by lamp, and as the number of a fault."""
    found = Measured()
    unit = bench.unit
    wrong, said = 0, []
    with bench.settings({"panel.brightness_pct": 100}):
        for lit in LIT:
            unit.do("strength", lit * 100 // LAMPS)
            unit.port.sleep(LOOKED_S)
            seen = bench.attendant.lamps()
            wrong += len(seen ^ set(range(1, lit + 1)))
            said.append(f"{_numbers(seen)} at {lit * 100 // LAMPS} %")
        found.put("lamps_wrong", float(wrong), f"Lit: {'; '.join(said)}.")
        unit.do("stop")
        seen = bench.attendant.lamps()
        found.put("fault_lamps_wrong", float(len(seen ^ {1})), f"At fault 1, lit or blinking: {_numbers(seen)}.")
        unit.do("clear")
        unit.do("preset", unit.get("preset.active")["preset.active"])
    return found


def _numbers(lamps: frozenset[int]) -> str:
    return " ".join(str(n) for n in sorted(lamps)) or "none"


def _strength(bench: Bench) -> float:
    return float(str(bench.unit.get("preset.strength_pct")["preset.strength_pct"]))


CHECKS = (
    Check(
        "pedal",
        "Pedals",
        ("hands",),
        (
            Figure("pedal1_presses", "", "One press is one press, however its contact bounces.", "cable_open=1"),
            Figure("pedal2_presses", "", "One press is one press, however its contact bounces.", "cable_short=0.5"),
        ),
        _pedal,
    ),
    Check(
        "latency",
        "Pedal to valve",
        ("gates", "presses"),
        (
            Figure("press_latency_ms", "ms", "A press feels immediate.", "pedal_bounce=0.5"),
            Figure("release_latency_ms", "ms", "The part is let go where it was meant to.", "pedal_bounce=1"),
            Figure("blips_counted", "", "A spark or a knock of the cable is no press.", "crystal=5"),
        ),
        _latency,
    ),
    Check(
        "gesture",
        "Tap, hold, double",
        ("hands",),
        (
            Figure("pedal1_gestures_wrong", "", "Each gesture is taken for what it is.", "pedal_chatter=0.7"),
            Figure("pedal2_gestures_wrong", "", "Each gesture is taken for what it is.", "pedal_chatter=0.7"),
        ),
        _gesture,
    ),
    Check(
        "panel",
        "Knob",
        ("panel", "hands"),
        (
            Figure("knob_clicks", "", "Each click is one step of strength, in its direction.", "knob=dead"),
            Figure("push_steps", "", "A push goes to the next preset.", "knob=dead"),
        ),
        _panel,
    ),
    Check(
        "bar",
        "Light bar",
        ("panel", "attendant"),
        (
            Figure("lamps_wrong", "", "Each lamp lights, at its own place in the bar.", "lamp=5"),
            Figure("fault_lamps_wrong", "", "Without a computer the bar alone says which fault it is.", "lamp=1"),
        ),
        _bar,
    ),
)
