"""Checks of the air: levels, pull-down, decay, vent, and the unit's sensor against the rig's."""

from __future__ import annotations

from airquill.report.trace import Trace
from airquill.tuning.crossing import falls_to, level, rises_to
from airquill_hil.bench import Bench
from airquill_hil.check import Check, Figure, Measured

PICK_S = 1.6
FULL_UP_S = 1.0
DECAY_S = 1.0


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


def _decay(bench: Bench) -> Measured:
    """Tip closed, valve on, pump stopped: what is lost goes through leaks."""
    found = Measured()
    unit = bench.unit
    bench.hands.fit_needle(bench.limits.needle_gauge)
    bench.hands.seal_tip()
    with bench.settings({"control.mode": "steady", "pump.floor_pct": 0}), bench.vacuum():
        unit.port.sleep(FULL_UP_S)
        before = bench.kpa()
        unit.do("strength", 0)
        unit.port.sleep(DECAY_S)
        after = bench.kpa()
    found.put("decay_kpa_s", (before - after) / DECAY_S, f"From {before:.1f} to {after:.1f} kPa.")
    return found


def _sensor(bench: Bench) -> Measured:
    found = Measured()
    unit = bench.unit
    bench.hands.open_tip()
    unit.port.sleep(FULL_UP_S)
    found.put("zero_error_kpa", abs(bench.kpa() - bench.rig.vacuum_kpa()))
    bench.hands.seal_tip()
    with bench.settings({"control.mode": "steady"}), bench.vacuum():
        unit.port.sleep(FULL_UP_S)
        said, real = bench.kpa(), bench.rig.vacuum_kpa()
    found.put("span_error_kpa", abs(said - real), f"The unit says {said:.1f}, the rig {real:.1f} kPa.")
    return found


CHECKS = (
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
        "decay",
        "Decay",
        ("sensor", "hands"),
        (Figure("decay_kpa_s", "kPa/s", "With the pump stopped, hose and fittings hold vacuum.", "hose_leak=0.1"),),
        _decay,
    ),
    Check(
        "sensor",
        "Sensor and reference",
        ("sensor", "hands", "reference"),
        (
            Figure("zero_error_kpa", "kPa", "At ambient the unit says 0.", "sensor_drift=0.5"),
            Figure("span_error_kpa", "kPa", "A part is found and lost by what the sensor says.", "sensor_dead=0.1"),
        ),
        _sensor,
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
)
