"""The checks. Each names what it needs, the figures it measures, why, and for each figure the fault that makes it fail.

Limits stand in limits.toml; docs/acceptance.md has the table.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from airquill.keys import encode, still_down
from airquill.link.catalogue import REGISTRY_HASH
from airquill.link.convert import Value as LinkValue
from airquill.report.trace import Trace
from airquill_hil.bench import Bench
from airquill_hil.limits import Value
from airquill_hil.measure import falls_to, level, rises_to

PICK_S = 1.6
QUIET_S = 0.6
CHANGED_S = 0.1  # after a change of settings the unit lets all keys up

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


@dataclass
class Measured:
    """Values by figure name (None: could not be measured), notes by figure name, traces by a name of their own."""

    values: dict[str, Value] = field(default_factory=dict)
    notes: dict[str, str] = field(default_factory=dict)
    traces: dict[str, Trace] = field(default_factory=dict)

    def put(self, name: str, value: Value, note: str = "") -> None:
        self.values[name] = value
        if note:
            self.notes[name] = note


@dataclass(frozen=True)
class Figure:
    """One figure of a check. `fault` is the fault of a virtual unit, in the words of faults.py, that makes it fail."""

    name: str
    unit: str
    reason: str
    fault: str
    needs: str = ""
    """A capability beside the check's own; without it this figure alone is skipped."""


@dataclass(frozen=True)
class Check:
    """A check: what it needs of unit and bench, its figures, and how they are measured."""

    name: str
    title: str
    needs: tuple[str, ...]
    figures: tuple[Figure, ...]
    measure: Callable[[Bench], Measured]


def _identity(bench: Bench) -> Measured:
    said = bench.unit.greet_again()
    found = Measured()
    serial = str(bench.unit.get("unit.serial")["unit.serial"])
    found.put(
        "serial_equal",
        serial == bench.label,
        "" if serial == bench.label else f"The label says {bench.label}, the unit {serial or 'nothing'}.",
    )
    found.put(
        "registry_equal",
        said.registry_hash == REGISTRY_HASH,
        "" if said.registry_hash == REGISTRY_HASH else f"The unit's registry is {said.registry_hash}.",
    )
    started = said.cause in ("power", "restart")
    found.put("clean_start", started, "" if started else f"Its last start was by {said.cause}.")
    fault = bench.unit.get("fault.active")["fault.active"]
    found.put("faults", float(fault != 0), f"Fault {fault!s} keeps it stopped." if fault else "")
    return found


def _vacuum(bench: Bench) -> Measured:
    found = Measured()
    bench.hands.fit_needle(bench.limits.needle_gauge)
    bench.hands.seal_tip()
    sealed = bench.record_pick(PICK_S)
    sealed.levels = _limit_levels(bench, "sealed_kpa")
    bench.hands.open_tip()
    open_ = bench.record_pick(PICK_S)
    open_.levels = _limit_levels(bench, "open_kpa")
    found.traces = {"sealed tip": sealed, "open tip": open_}
    found.put("sealed_kpa", _corrected(bench, level(sealed, _end(sealed))))
    uncorrected_kpa = 40.0 / bench.at_sea_level(1.0)
    reached = rises_to(sealed, uncorrected_kpa)
    found.put("pull_down_s", reached, "" if reached is not None else "It never reached 40 kPa.")
    found.put("open_kpa", _corrected(bench, level(open_, _end(open_))))
    return found


def _limit_levels(bench: Bench, figure: str) -> list[tuple[float, str]]:
    """Limits of a level as the sensor sees them here."""
    limit = bench.limits.figures[figure]
    ends = ((limit.low, "at least"), (limit.high, "at most"))
    return [(end / bench.at_sea_level(1.0), f"{word} {end:g} kPa") for end, word in ends if end is not None]


def _end(trace: Trace) -> float:
    """When vacuum went off."""
    at = trace.when("releasing")
    return at if at is not None else PICK_S


def _corrected(bench: Bench, kpa: float | None) -> float | None:
    return None if kpa is None else bench.at_sea_level(kpa)


def _vent(bench: Bench) -> Measured:
    found = Measured()
    bench.hands.fit_needle(bench.limits.needle_gauge)
    bench.hands.seal_tip()
    trace = bench.record_pick(PICK_S)
    found.traces = {"vent": trace}
    off_s = _end(trace)
    from_kpa, to_kpa = (kpa / bench.at_sea_level(1.0) for kpa in (50.0, 5.0))
    trace.levels = [(from_kpa, "from 50 kPa"), (to_kpa, "to 5 kPa")]
    before = level(trace, off_s)
    begun = falls_to(trace, from_kpa, off_s) if before is not None and before > from_kpa else None
    done = falls_to(trace, to_kpa, off_s)
    if begun is None:
        found.put("vent_ms", None, "The vacuum was below 50 kPa before the release.")
    elif done is None:
        found.put("vent_ms", None, "The tip was not vented.")
    else:
        found.put("vent_ms", (done - begun) * 1000)
    found.put("let_go_ms", None if done is None else (done - off_s) * 1000, "" if done else "The tip was not vented.")
    return found


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


CHECKS = (
    Check(
        "identity",
        "Identity",
        (),
        (
            Figure("serial_equal", "", "Label, unit and record name the same unit.", "serial=OTHER", needs="label"),
            Figure(
                "registry_equal",
                "",
                "The unit's firmware and this bench mean the same by each setting.",
                "registry=other",
            ),
            Figure("clean_start", "", "A unit that its watchdog restarted has something wrong with it.", "hang"),
            Figure("faults", "", "No fault keeps the unit stopped.", "supply=9"),
        ),
        _identity,
    ),
    Check(
        "vacuum",
        "Sealed and open vacuum",
        ("sensor", "hands"),
        (
            Figure("sealed_kpa", "kPa", "Enough vacuum for the heaviest part of a needle.", "pump_wear=0.6"),
            Figure("pull_down_s", "s", "A part is held before the hand moves on: time to 40 kPa.", "pump_wear=1"),
            Figure("open_kpa", "kPa", "Above, the tip is clogged; below, air comes in elsewhere.", "tip_clog=0.8"),
        ),
        _vacuum,
    ),
    Check(
        "vent",
        "Vent",
        ("sensor", "hands"),
        (
            Figure(
                "vent_ms", "ms", "From 50 to 5 kPa: a part lets go before the hand pulls it along.", "filter_clog=0.7"
            ),
            Figure("let_go_ms", "ms", "From the release to 5 kPa: the valve drops out at once.", "valve_slow=1"),
        ),
        _vent,
    ),
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
)
