"""Checks of what the unit is and of what it survives: identity, power cuts, hangs, silence, a noisy line."""

from __future__ import annotations

from airquill.link.catalogue import REGISTRY_HASH
from airquill.link.client import Client
from airquill.link.problems import LinkLost, Refused, UnitRestarted
from airquill_hil.bench import Bench
from airquill_hil.check import Check, Figure, Measured
from airquill_hil.powered import restored
from airquill_hil.stopped import Stopped, driven_by_its_word, gates_low, stopped
from airquill_protocol import frame
from airquill_protocol import tables as t

OFF_S = 0.5
SAVED_S = 1.5  # the log is written a while after what it tells of
UP_S = 15.0
SAVED = "preset8.name"
SILENT_MS = 1000
SILENT_S = 2.0
RUN_S = 0.5
LONGEST_RUN_S = 10
DAMAGED = 20
ASKED = 20


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


def _power(bench: Bench) -> Measured:
    """Save one setting, change another, cut the power: the first is there, the second as it was, and so is the log."""
    found = Measured()
    unit = bench.unit
    before = unit.all_settings()
    boots = unit.greeting.boots
    changed = "cut A" if before[SAVED] != "cut A" else "cut B"
    with restored(bench, SAVED):
        try:
            unit.set({SAVED: changed}, keep=True)
        except Refused as error:
            for name in ("settings_lost", "log_lost", "start_counted"):
                found.put(name, None, f"It could not save. {error.sentence}")
            return found
        saved = unit.all_settings()
        unit.set({"unit.name": "unsaved"})
        unit.do("stop")
        unit.do("clear")
        unit.port.sleep(SAVED_S)
        bench.rig.power(False)
        unit.port.sleep(OFF_S)
        bench.rig.power(True)
        said = unit.wait_for_restart(UP_S)
        after = unit.all_settings()
        lost = [path for path, value in saved.items() if after.get(path) != value]
        found.put("settings_lost", float(len(lost)), ", ".join(lost[:3]))
        told = [entry["what"] for entry in unit.log()]
        found.put("log_lost", float(t.F_STOPPED_BY_HOST not in told), "" if told else "The log is empty.")
        found.put("start_counted", said.boots == boots + 1, f"Start {said.boots} after start {boots}.")
    return found


def _watchdog(bench: Bench) -> Measured:
    found = Measured()
    unit = bench.unit
    unit.do("pick")
    unit.port.sleep(RUN_S)
    bench.rig.record()
    cause = _hang(unit)
    drives = bench.rig.drives()
    low_us = next((one.us for one in drives[1:] if one.pump == 0 and one.valve == 0), None)
    found.put("bite_s", None if low_us is None else (low_us - drives[0].us) / 1e6)
    found.put("back_by_watchdog", cause == "watchdog", f"It came back by {cause}." if cause else "It stayed away.")
    if cause:
        # A start of its own, so that this one does not count against the unit.
        unit.do("restart")
        unit.wait_for_restart(UP_S)
    return found


def _hang(unit: Client) -> str:
    """Make the firmware stand still; the cause of the start that follows, empty when none does."""
    try:
        unit.do("hang")
    except UnitRestarted:
        return unit.greeting.cause  # its answer went with it
    except LinkLost:
        pass
    try:
        return unit.wait_for_restart(UP_S).cause
    except LinkLost:
        return ""


def _fail_safe(bench: Bench) -> Measured:
    """What a host can bring about alone: it falls silent with vacuum on; it stops; it lets the pump run on."""
    found = Measured()
    unit = bench.unit
    seen: list[Stopped] = []
    for name in ("stop_is_off", "gates_low", "longest_run_s"):
        found.put(name, None, "Not reached: a fault before it did not clear.")
    with bench.vacuum(watched=False):
        unit.port.sleep(RUN_S)
        unit.do("dead_man", SILENT_MS)
        unit.port.sleep(SILENT_S)
        fault = unit.get("fault.active")["fault.active"]
        found.put("silence_stops", bool(fault), f"Fault {fault!s} after {SILENT_S:g} s of silence.")
        unit.do("dead_man", 0)
        seen.append(stopped(bench, t.F_DEAD_MAN))
    if seen[-1].cleared:
        with bench.vacuum(watched=False):
            unit.port.sleep(RUN_S)
            unit.do("stop")
            found.put("stop_is_off", driven_by_its_word(unit) == 0, "By the unit's own account.")
            if "gates" in bench.capabilities():
                found.put("gates_low", gates_low(bench))
            seen.append(stopped(bench, t.F_STOPPED_BY_HOST))
    if seen[-1].cleared:
        with bench.settings({"pump.longest_run_s": LONGEST_RUN_S}), bench.vacuum(watched=False):
            found.put("longest_run_s", _runs_s(unit), f"Set to {LONGEST_RUN_S} s.")
            seen.append(stopped(bench, t.F_PUMP_RAN_TOO_LONG))
    for name, right in (
        ("faults_not_told", [one.told for one in seen]),
        ("faults_left_on", [one.off for one in seen]),
        ("faults_not_cleared", [one.cleared for one in seen]),
    ):
        found.put(name, float(right.count(False)), " ".join(one.sentence for one in seen if one.sentence))
    return found


def _runs_s(unit: Client) -> float | None:
    """How long the pump runs until a fault stops it; None when none does."""
    begun_s = unit.port.now()
    for _ in unit.events(0):
        pass
    unit.listen("fault")
    event = unit.wait_for("fault", 2 * LONGEST_RUN_S, on=True)
    unit.listen()
    return event.at_s - begun_s if event else None


def _link(bench: Bench) -> Measured:
    """Lines with one wrong bit, then sound ones."""
    found = Measured()
    unit = bench.unit
    try:
        before = _bad_lines(unit)
        for n in range(DAMAGED):
            # Ids that no request has used, so nothing else can make the unit refuse the line.
            line = bytearray(frame.frame(f"{frame.LONGEST_ID - n} do strength {n}"))
            line[8 + n % 12] ^= 1
            unit.port.write(bytes(line))
            unit.port.sleep(0.02)
        unit.port.sleep(0.2)
        missed = abs(_bad_lines(unit) - before - DAMAGED)
        unanswered = 0
        for _ in range(ASKED):
            unit.get("cycle.state")
    except LinkLost:
        missed, unanswered = DAMAGED, ASKED
    found.put("damaged_not_refused", float(missed))
    found.put("unanswered", float(unanswered))
    return found


def _bad_lines(unit: Client) -> int:
    return int(str(unit.get("link.bad_lines")["link.bad_lines"]))


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
)
LATER = (
    Check(
        "fail_safe",
        "Safe state",
        (),
        (
            Figure("silence_stops", "", "A host that dies does not leave vacuum on.", "crystal=0.4"),
            Figure("stop_is_off", "", "A stop stops.", "stop=ignored"),
            Figure("gates_low", "", "Off is off at the gates, not only in the program.", "gate=stuck", needs="gates"),
            Figure("longest_run_s", "s", "A forgotten pump stops before it is hot.", "crystal=0.5"),
            Figure("faults_not_told", "", "What stopped it is told by its number.", "fault=misnumbered"),
            Figure("faults_left_on", "", "Whatever stops the unit, its outputs are off.", "stop=ignored"),
            Figure("faults_not_cleared", "", "It goes on when its cause is gone and it is told to.", "clear=ignored"),
        ),
        _fail_safe,
    ),
    Check(
        "link",
        "Link under noise",
        (),
        (
            Figure("damaged_not_refused", "", "A line with a wrong bit is never done.", "serial_drop=1"),
            Figure("unanswered", "", "The link goes on after noise.", "serial_unread=1"),
        ),
        _link,
    ),
    Check(
        "power",
        "Power cut",
        ("power", "saved"),
        (
            Figure("settings_lost", "", "What was saved is there again, and nothing else.", "flash_wear=1"),
            Figure("log_lost", "", "What stopped the unit can be asked afterwards.", "flash_wear=1"),
            Figure("start_counted", "", "A host can tell one start from the next.", "flash_wear=1"),
        ),
        _power,
    ),
    Check(
        "watchdog",
        "Watchdog",
        ("gates", "saved"),
        (
            Figure("bite_s", "s", "Firmware that hangs with vacuum on lets go.", "watchdog=5"),
            Figure("back_by_watchdog", "", "And the unit comes back by itself.", "watchdog=off"),
        ),
        _watchdog,
    ),
)
