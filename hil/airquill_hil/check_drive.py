"""Checks of what the unit drives, seen at its gates: supply, switching, start, floor, valve, presets."""

from __future__ import annotations

from airquill.link.convert import Value as LinkValue
from airquill_hil.bench import Bench
from airquill_hil.check import Check, Figure, Measured

STEADY_S = 0.6  # the kick and a whole ramp
STRENGTHS_PCT = (40, 70, 100)
SOFT_PCT = 40
RUNNING_PCT = 70  # a pump that turns hard stalls below its full drive first


def _supply(bench: Bench) -> Measured:
    found = Measured()
    volts = float(str(bench.unit.get("supply.volts")["supply.volts"]))
    found.put("supply_v", volts)
    if "meter" in bench.capabilities():
        found.put("supply_error_v", abs(volts - bench.rig.supply_v()))
    return found


def _current(bench: Bench) -> Measured:
    found = Measured()
    with bench.settings({"control.mode": "steady"}), bench.vacuum(RUNNING_PCT):
        bench.unit.port.sleep(1.0)
        found.put("running_ma", bench.rig.supply_ma(), f"At a strength of {RUNNING_PCT} %.")
    bench.stand()
    bench.unit.port.sleep(STEADY_S)
    found.put("idle_ma", bench.rig.supply_ma(), "After a pick and a stop.")
    return found


def _off_pct(measured: float, wanted: float) -> float:
    return abs(measured / wanted - 1) * 100


def _pwm(bench: Bench) -> Measured:
    found = Measured()
    unit = bench.unit
    # The valve's frequency can be seen only where it is not fully on.
    with bench.settings({"control.mode": "steady", "valve.hold_pct": 50, "pump.floor_pct": 30}), bench.vacuum():
        worst = 0.0
        for pct in STRENGTHS_PCT:
            unit.do("strength", pct)
            unit.port.sleep(STEADY_S)
            worst = max(worst, abs(bench.rig.gates().pump * 100 - pct))
        unit.do("strength", SOFT_PCT)
        unit.port.sleep(STEADY_S)
        gates = bench.rig.gates()
        unit.do("strength", 5)
        unit.port.sleep(STEADY_S)
        low_pct = bench.rig.gates().pump * 100
    wanted = unit.get("pump.pwm_hz", "valve.pwm_hz")
    found.put("pump_hz_error_pct", _off_pct(gates.pump_hz, float(str(wanted["pump.pwm_hz"]))))
    found.put("valve_hz_error_pct", _off_pct(gates.valve_hz, float(str(wanted["valve.pwm_hz"]))))
    found.put("pump_duty_error_pct", worst)
    found.put("floor_pct", low_pct, "At a strength of 5 %, with a floor of 30 %.")
    return found


def _start(bench: Bench) -> Measured:
    """A standing pump: kick, then a ramp down to 40 %."""
    found = Measured()
    bench.stand()
    wanted: dict[str, LinkValue] = {
        "control.mode": "steady",
        "pump.kick_ms": 200,
        "pump.kick_pct": 100,
        "pump.ramp_ms": 150,
    }
    wanted["pump.floor_pct"] = 30
    with bench.settings(wanted):
        bench.rig.record()
        with bench.vacuum(SOFT_PCT):
            bench.unit.port.sleep(STEADY_S)
            drives = bench.rig.drives()
    at = next((n for n, drive in enumerate(drives) if drive.pump > 0), None)
    if at is None:
        for name in ("kick_pct", "kick_ms", "ramp_ms"):
            found.put(name, None, "The pump was not driven.")
        return found
    kick, after = drives[at], drives[at + 1 :]
    end = next((drive.us for drive in after if drive.pump != kick.pump), None)
    still = [drive.us for drive, before in zip(after, drives[at:], strict=False) if drive.pump != before.pump]
    found.put("kick_pct", kick.pump * 100)
    found.put("kick_ms", None if end is None else (end - kick.us) / 1000)
    found.put("ramp_ms", None if end is None else (still[-1] - end) / 1000, "From 100 to 40 %.")
    return found


def _valve(bench: Bench) -> Measured:
    found = Measured()
    with bench.settings({"valve.peak_ms": 50, "valve.hold_pct": 50}):
        bench.rig.record()
        with bench.vacuum(SOFT_PCT):
            bench.unit.port.sleep(0.3)
            drives = bench.rig.drives()
    on = [drive for drive in drives if drive.valve > 0]
    held = next((drive for drive in on if drive.valve != on[0].valve), None)
    found.put("peak_pct", on[0].valve * 100 if on else None, "" if on else "The valve was not driven.")
    found.put("peak_ms", (held.us - on[0].us) / 1000 if held else None, "" if held else "It stayed at its peak.")
    found.put("hold_pct", held.valve * 100 if held else None)
    return found


def _preset(bench: Bench) -> Measured:
    """Each preset that is counted drives the pump at its own strength, or at the floor."""
    found = Measured()
    unit = bench.unit
    own = unit.get("preset.count", "preset.active")
    count = int(str(own["preset.count"]))
    worst, where = 0.0, 0
    with bench.settings({"control.mode": "steady", "preset.active": own["preset.active"]}), bench.vacuum():
        floor = float(str(unit.get("pump.floor_pct")["pump.floor_pct"]))
        for n in range(1, count + 1):
            unit.do("preset", n)
            unit.port.sleep(STEADY_S)
            wanted = float(str(unit.get(f"preset{n}.strength_pct")[f"preset{n}.strength_pct"]))
            off = abs(bench.rig.gates().pump * 100 - max(wanted, floor))
            if off > worst:
                worst, where = off, n
    found.put("preset_error_pct", worst, f"Preset {where} is furthest off." if where else "")
    return found


CHECKS = (
    Check(
        "supply",
        "Supply",
        ("supply",),
        (
            Figure("supply_v", "V", "Pump and valve are made for 12 V.", "supply=11"),
            Figure(
                "supply_error_v", "V", "A fault by low supply is as good as the reading.", "divider=1.05", needs="meter"
            ),
        ),
        _supply,
    ),
    Check(
        "current",
        "Supply current",
        ("meter",),
        (
            Figure("idle_ma", "mA", "Nothing is driven at rest, and nothing leaks.", "gate=stuck"),
            Figure("running_ma", "mA", "Less, the pump is not driven; more, it turns hard.", "pump_stall=0.8"),
        ),
        _current,
    ),
    Check(
        "pwm",
        "Switching of the gates",
        ("gates",),
        (
            Figure("pump_hz_error_pct", "%", "Lower, it is heard; higher, the gate gets warm.", "pump_hz=0.9"),
            Figure("valve_hz_error_pct", "%", "The ripple in the coil follows from it.", "valve_hz=0.9"),
            Figure("pump_duty_error_pct", "%", "Strength is what it says.", "pump_gate=0.9"),
            Figure("floor_pct", "%", "A running pump is never driven so low that it stalls.", "pump_gate=0.8"),
        ),
        _pwm,
    ),
    Check(
        "start",
        "Start of the pump",
        ("gates",),
        (
            Figure("kick_pct", "%", "A worn or cold pump starts by a full kick only.", "pump_gate=0.9"),
            Figure("kick_ms", "ms", "Shorter, it may stand again; longer, vacuum overshoots.", "crystal=0.8"),
            Figure("ramp_ms", "ms", "The change after the kick is neither a jump nor late.", "crystal=0.8"),
        ),
        _start,
    ),
    Check(
        "valve",
        "Valve: peak and hold",
        ("gates",),
        (
            Figure("peak_pct", "%", "The valve pulls in at full drive only.", "valve_gate=0.9"),
            Figure("peak_ms", "ms", "Shorter, it may not pull in; longer, it gets hot.", "valve_timer=1.5"),
            Figure("hold_pct", "%", "Less, it drops out; more, it gets hot.", "valve_gate=0.9"),
        ),
        _valve,
    ),
    Check(
        "preset",
        "Presets",
        ("gates",),
        (Figure("preset_error_pct", "%", "Each needle gets the strength that was chosen for it.", "pump_gate=0.9"),),
        _preset,
    ),
)
