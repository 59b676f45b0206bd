"""Checks of the keyboard: the reports of a stroke, and the strokes that picks set off."""

from __future__ import annotations

from airquill.keys import encode, still_down, typed
from airquill.link.convert import Value as LinkValue
from airquill.link.problems import Refused
from airquill_hil.bench import Bench
from airquill_hil.check import Check, Figure, Measured

QUIET_S = 0.6
CHANGED_S = 0.1  # after a change of settings the unit lets all keys up
CALM_KPA = 0.5
CALM_WAIT_S = 5.0
TRIGGER_S = 1.2
MISS_MS = 600

# F24 with and without Shift: bound to nothing on common desktops (from memory), and every kind of change occurs.
TEST_STROKE = "Left Shift + F24, F24"
# USB HID 1.11, appendix B.1: modifier byte (bit 1 is left Shift), a reserved byte, six usages; HUT: F24 is 0x73.
# Modifiers go down before the key and come up after it, and an empty report ends each chord.
TEST_REPORTS = tuple(
    bytes.fromhex(text)
    for text in (
        "0200000000000000",
        "0200730000000000",
        "0200000000000000",
        "0000000000000000",
        "0000730000000000",
        "0000000000000000",
    )
)

# What each trigger types while the check runs.
TRIGGERS = {"found": "F21", "released": "F22", "missed": "F23", "lost": "F24"}
# Sealed, then open with vacuum on; then a pick of nothing; then sealed and let go.
EXPECTED = ("found", "lost", "missed", "found", "released")


def _key(bench: Bench) -> Measured:
    found = Measured()
    unit = bench.unit
    told: list[bytes] = []
    quiet: dict[str, LinkValue] = {
        "pedal2.tap_keys": encode(TEST_STROKE),
        "pedal2.vacuum": "none",
        "pedal2.tap_does": "none",
    }
    with bench.settings(quiet):
        unit.port.sleep(CHANGED_S)
        before = bench.hands.reports()
        for _ in unit.events(0):
            pass
        unit.listen("key", "pedal")
        bench.hands.press(2)
        if unit.wait_for("pedal", bench.hands.patience_s, down=True):
            told = [_report(event.fields["report"]) for event in unit.events(2 * QUIET_S) if event.topic == "key"]
        unit.listen()
        seen = bench.hands.reports()
    reports = told if seen is None or before is None else seen[len(before) :]
    wrong = sum(a != b for a, b in zip(reports, TEST_REPORTS, strict=False)) + abs(len(reports) - len(TEST_REPORTS))
    whose = "as the unit tells it" if seen is None else "as the computer took them"
    came = ", ".join(report.hex() for report in reports) or "none"
    found.put("wrong_reports", float(wrong), f"Reports {whose}: {came}.")
    left = still_down(list(enumerate(reports)))
    found.put(
        "keys_left_down", float(len(left)) if reports else None, f"Still down: {', '.join(left)}." if left else ""
    )
    return found


def _report(text: object) -> bytes:
    return bytes.fromhex(str(text))


def _trigger(bench: Bench) -> Measured:
    """Learn open and sealed, then go through a pick that is lost, one of nothing, and one that is let go."""
    found = Measured()
    unit, hands = bench.unit, bench.hands
    hands.fit_needle(bench.limits.needle_gauge)
    preset = f"preset{unit.get('preset.active')['preset.active']!s}"
    # Learned levels are the unit's own: they come back afterwards.
    learned = unit.get(f"{preset}.open_kpa", f"{preset}.sealed_kpa")
    wanted: dict[str, LinkValue] = {
        **learned,
        "control.mode": "steady",
        "grip.detect": True,
        "cycle.miss_ms": MISS_MS,
        "keys.on_gripped": encode(TRIGGERS["found"]),
        "keys.on_released": encode(TRIGGERS["released"]),
        "keys.on_missed": encode(TRIGGERS["missed"]),
        "keys.on_lost": encode(TRIGGERS["lost"]),
    }
    with bench.settings(wanted):
        why = _learn(bench)
        if why:
            found.put("triggers_wrong", None, why)
            found.put("trigger_keys_wrong", None, why)
            return found
        for _ in unit.events(0):
            pass
        unit.listen("grip", "key")
        hands.seal_tip()
        unit.do("pick")
        told = _heard(bench, TRIGGER_S)
        hands.open_tip()
        told += _heard(bench, TRIGGER_S)
        unit.do("release")
        told += _heard(bench, TRIGGER_S)
        unit.do("pick")
        told += _heard(bench, TRIGGER_S)
        unit.do("release")
        told += _heard(bench, TRIGGER_S)
        hands.seal_tip()
        unit.do("pick")
        told += _heard(bench, TRIGGER_S)
        unit.do("release")
        told += _heard(bench, TRIGGER_S)
        unit.listen()
    happened = [text for kind, text in told if kind == "grip"]
    keys = [typed([(0, bytes.fromhex(text))]) for kind, text in told if kind == "key"]
    struck = [key for key in keys if key]
    found.put("triggers_wrong", _differences(happened, EXPECTED), f"It told of {', '.join(happened) or 'nothing'}.")
    found.put(
        "trigger_keys_wrong",
        _differences(struck, [TRIGGERS[what] for what in EXPECTED]),
        f"It typed {', '.join(struck) or 'nothing'}.",
    )
    return found


def _heard(bench: Bench, seconds: float) -> list[tuple[str, str]]:
    """Grip events and key reports of that time."""
    names = {"grip": "what", "key": "report"}
    return [
        (event.topic, str(event.fields[names[event.topic]]))
        for event in bench.unit.events(seconds)
        if event.topic in names
    ]


def _differences(seen: list[str], wanted: tuple[str, ...] | list[str]) -> float:
    return float(sum(a != b for a, b in zip(seen, wanted, strict=False)) + abs(len(seen) - len(wanted)))


def _learn(bench: Bench) -> str:
    """Why open and sealed could not be learned; empty when they were."""
    unit, hands = bench.unit, bench.hands
    hands.open_tip()
    with bench.vacuum(None, watched=False):
        try:
            for tip in ("open", "sealed"):
                if tip == "sealed":
                    hands.seal_tip()
                if not _calm(bench):
                    return "The vacuum does not come to rest."
                unit.do("learn", tip)
        except Refused as error:
            return error.sentence
    return ""


def _calm(bench: Bench) -> bool:
    port = bench.unit.port
    port.sleep(1.2)
    end = port.now() + CALM_WAIT_S
    while port.now() < end:
        noise = bench.unit.get("sensor.noise_kpa")["sensor.noise_kpa"]
        if noise is not None and float(str(noise)) <= CALM_KPA:
            return True
        port.sleep(0.2)
    return False


CHECKS = (
    Check(
        "key",
        "Keys",
        ("keyboard", "hands"),
        (
            Figure(
                "wrong_reports",
                "",
                "Exactly the bound stroke arrives, and an empty report after each chord.",
                "key_host=deaf",
            ),
            Figure("keys_left_down", "", "No key stays down at the computer.", "keyboard=sticky"),
        ),
        _key,
    ),
    Check(
        "trigger",
        "What picks set off",
        ("sensor", "keyboard", "hands"),
        (
            Figure("triggers_wrong", "", "Gripped, lost, missed and released are told apart.", "valve_stuck_shut=1"),
            Figure("trigger_keys_wrong", "", "The list moves on at what it was bound to.", "key_host=absent"),
        ),
        _trigger,
    ),
)
