"""Checks of what happens to a unit from outside: pulled plugs, a stuck pedal, the power cut in a save, an update."""

from __future__ import annotations

import base64
import contextlib
import hashlib
from collections.abc import Iterator

from airquill.errors import AirquillError
from airquill.image.manifest import HASH_DIGITS
from airquill.image.manifest import PATH as MANIFEST_PATH
from airquill.image.update import BLOCK_BYTES, REQUEST_S, TRIAL_S, keep, listed, running_slot
from airquill.link.client import Client
from airquill.link.convert import Value as LinkValue
from airquill.link.problems import LinkLost, Refused
from airquill_hil.attendant import Plug
from airquill_hil.bench import Bench
from airquill_hil.check import Check, Figure, Measured
from airquill_hil.powered import restored
from airquill_hil.stopped import stopped
from airquill_protocol import frame
from airquill_protocol import tables as t

RUN_S = 0.5
STUCK_S = 5
CUTS = 20
PRESSES = 3
PRESS_MS = 200
OFF_S = 0.5
UP_S = 15.0
SAVED = "preset8.name"


def _sensor_plug(bench: Bench) -> Measured:
    return _plug(bench, "sensor", t.F_SENSOR_RANGE)


def _supply_plug(bench: Bench) -> Measured:
    return _plug(bench, "supply", t.F_SUPPLY_LOW)


def _plug(bench: Bench, plug: Plug, number: int) -> Measured:
    """Pull a plug with vacuum on, put it back, and go on."""
    found = Measured()
    unit, attendant = bench.unit, bench.attendant
    with bench.vacuum(watched=False):
        unit.port.sleep(RUN_S)
        attendant.pull(plug)
        _until(unit, attendant.patience_s, "fault.active", number)
        how = stopped(bench, number, mended=lambda: attendant.put_back(plug), patience_s=attendant.patience_s)
    found.put(f"{plug}_fault_wrong", float(len(how.wrong)), how.sentence)
    return found


def _until(unit: Client, seconds: float, path: str, wanted: LinkValue) -> bool:
    end = unit.port.now() + seconds
    while unit.get(path)[path] != wanted:
        if unit.port.now() > end:
            return False
        unit.port.sleep(0.1)
    return True


def _stuck(bench: Bench) -> Measured:
    """A pedal that stays down is told, and that it came up again."""
    found = Measured()
    unit = bench.unit
    wrong = []
    for pedal, number in ((1, t.F_PEDAL1_STUCK), (2, t.F_PEDAL2_STUCK)):
        name = f"pedal{pedal}"
        wanted: dict[str, LinkValue] = {f"{name}.{one}": "none" for one in ("vacuum", "tap_does", "hold_does")}
        wanted |= {f"{name}.hold_keys": "", f"{name}.tap_keys": "", f"{name}.stuck_s": STUCK_S}
        with bench.settings(wanted):
            for _ in unit.events(0):
                pass
            unit.listen("fault")
            bench.rig.press(pedal, (STUCK_S + 2) * 1000)
            for on, word in ((True, "down"), (False, "up")):
                if unit.wait_for("fault", STUCK_S + 3, number=number, on=on) is None:
                    wrong.append(f"That pedal {pedal} stayed {word} was not told.")
            unit.listen()
    found.put("stuck_wrong", float(len(wrong)), " ".join(wrong))
    return found


def _cuts(bench: Bench) -> Measured:
    """Save one setting again and again, and cut the power at a later moment of the save each time.

    A save ends with its writes to flash, so the cuts fall into its second half.
    """
    found = Measured()
    unit = bench.unit
    before = unit.all_settings()
    try:
        with restored(bench, SAVED):
            torn = _torn(bench, before)
    except Refused as error:
        found.put("saves_torn", None, f"It could not save. {error.sentence}")
        return found
    where = f"Cut {', '.join(str(n) for n in torn)} left neither." if torn else ""
    found.put("saves_torn", float(len(torn)), where)
    return found


def _torn(bench: Bench, before: dict[str, LinkValue]) -> list[int]:
    """Numbers of the cuts after which the setting is neither the old nor the new, or another one has changed."""
    unit = bench.unit
    now, torn = "cut 0", []
    _open_batch(unit, now)
    begun_s = unit.port.now()
    unit.request("batch", "apply", "keep")
    takes_s = unit.port.now() - begun_s
    for n in range(1, CUTS + 1):
        wanted = f"cut {n}"
        _open_batch(unit, wanted)
        unit.port.write(frame.frame(f"{frame.LONGEST_ID - n} batch apply keep"))
        unit.port.sleep(takes_s * (1 + n / CUTS) / 2)
        bench.rig.power(False)
        unit.port.sleep(OFF_S)
        bench.rig.power(True)
        unit.wait_for_restart(UP_S)
        after = unit.all_settings()
        if after[SAVED] not in (now, wanted) or {**after, SAVED: before[SAVED]} != before:
            torn.append(n)
        now = str(after[SAVED])
    return torn


def _open_batch(unit: Client, name: str) -> None:
    unit.request("batch", "open")
    unit.request("set", f'{SAVED}="{name}"')


def _update(bench: Bench) -> Measured:
    """The running firmware as another version: copied beside, one small file of it sent, started, kept; and back."""
    found = Measured()
    unit = bench.unit
    before, settings = unit.greeting.build, unit.all_settings()
    try:
        here, on_trial = running_slot(unit)
        if on_trial:
            raise AirquillError("An update was broken off on this unit. Run airquill update first.", 1)
        build, missed = _send(bench, here, before)
        with _back_again(unit, before):
            there = _start(unit, build)
            back = _start(unit, before) if there == build else ""
    except (Refused, LinkLost) as error:
        for name in ("update_runs", "update_undone", "update_settings_lost", "update_presses_missed"):
            found.put(name, None, error.sentence)
        return found
    after = unit.all_settings()
    lost = [path for path, value in settings.items() if after.get(path) != value]
    found.put("update_runs", there == build, "" if there == build else f"Its trial start ended as {there}.")
    found.put("update_undone", back == before, "" if back == before else f"It runs {back or there} now.")
    found.put("update_settings_lost", float(len(lost)), ", ".join(lost[:3]))
    found.put("update_presses_missed", missed, f"Of {PRESSES} while files came.")
    return found


@contextlib.contextmanager
def _back_again(unit: Client, build: str) -> Iterator[None]:
    """However this is left, the unit runs that build again where it can be reached."""
    try:
        yield
    finally:
        with contextlib.suppress(AirquillError):
            if unit.greet_again().build != build:
                _start(unit, build)


def _send(bench: Bench, here: str, before: str) -> tuple[str, float]:
    """Fill the copy that does not run, and press a pedal meanwhile; the build that it is now, and presses missed."""
    unit = bench.unit
    name = MANIFEST_PATH[1:]
    # The same files under another name; the rest of the text lets it take several blocks.
    build = f"{int(before, 16) ^ 1:0{HASH_DIGITS}x}"
    content = f"{build}\nfirmware=bench\n".encode() + b"note=made by the bench to try an update\n" * 8
    files = [path for path in listed(unit, here) if path != name]
    presses = "presses" in bench.capabilities()
    with bench.settings({f"pedal1.{one}": "none" for one in ("vacuum", "tap_does", "hold_does", "double_does")}):
        counted = int(str(unit.get("pedal1.presses")["pedal1.presses"]))
        for n, path in enumerate(files):
            if presses and n % (len(files) // PRESSES) == 1:
                bench.rig.press(1, PRESS_MS)
            unit.request("files", "copy", path, deadline_s=REQUEST_S)
        unit.request("files", "open", name, deadline_s=REQUEST_S)
        for at in range(0, len(content), BLOCK_BYTES):
            piece = base64.b64encode(content[at : at + BLOCK_BYTES]).decode()
            unit.request("files", "block", str(at), piece, deadline_s=REQUEST_S)
        unit.request("files", "close", hashlib.sha256(content).hexdigest(), deadline_s=REQUEST_S)
        unit.port.sleep(RUN_S)
        counted = int(str(unit.get("pedal1.presses")["pedal1.presses"])) - counted
    return build, float(abs(PRESSES - counted))


def _start(unit: Client, build: str) -> str:
    """Start the other copy and keep it where it greets; returns the build that runs then."""
    unit.request("files", "try", build, deadline_s=REQUEST_S)
    said = unit.wait_for_restart(TRIAL_S)
    if said.build == build:
        keep(unit)
    return said.build


CHECKS = (
    Check(
        "sensor_plug",
        "Sensor unplugged",
        ("sensor", "attendant"),
        (
            Figure(
                "sensor_fault_wrong",
                "",
                "A sensor that fell off stops the unit, under its number, until it is back.",
                "sensor_pin=floating",
            ),
        ),
        _sensor_plug,
    ),
    Check(
        "supply_plug",
        "Supply unplugged",
        ("supply", "attendant"),
        (
            Figure(
                "supply_fault_wrong",
                "",
                "A supply that fell off stops the unit, under its number, until it is back.",
                "supply_pin=floating",
            ),
        ),
        _supply_plug,
    ),
    Check(
        "stuck",
        "Stuck pedals",
        ("presses",),
        (Figure("stuck_wrong", "", "A pedal that hangs is told, under its number.", "notice=silent"),),
        _stuck,
    ),
    Check(
        "cuts",
        "Power cuts in a save",
        ("power", "saved"),
        (
            Figure(
                "saves_torn",
                "",
                f"Each of {CUTS} cuts leaves the old setting or the new, and all others.",
                "store=trusting",
            ),
        ),
        _cuts,
    ),
    Check(
        "update",
        "Update and back",
        ("saved",),
        (
            Figure("update_runs", "", "Another version comes over the line, starts and is kept.", "flash_wear=1"),
            Figure("update_undone", "", "So does the way back.", "flash_wear=1"),
            Figure("update_settings_lost", "", "What the unit knows outlives its firmware.", "save=lost"),
            Figure("update_presses_missed", "", "The unit goes on while files come.", "cable_open=1", needs="presses"),
        ),
        _update,
        only_with="disk",
    ),
)
