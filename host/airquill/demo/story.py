"""The demonstration's steps. Each does something with the unit, then looks whether it came about.

What a step shows was seen at the far end: reports that the computer took, the sensor's trace, settings read back. It is
never what was asked for.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

from airquill.demo.virtual import virtual_unit
from airquill.errors import AirquillError
from airquill.keys import encode, still_down, typed
from airquill.link import discovery
from airquill.link.client import Client
from airquill.link.convert import Value
from airquill.profile.document import load
from airquill.profile.exchange import apply, differences
from airquill.report.trace import Recorder, Trace
from airquill.simulator.control import Control
from airquill.tuning.hands import ControlHands
from airquill_hil.bench import Bench
from airquill_hil.checks import SHORT
from airquill_hil.limits import load_limits
from airquill_hil.record import Record, write_record
from airquill_hil.run import Place, run

SERIAL = "HEATHER-07"
CHIP_MM = (2.0, 1.25, 0.55)  # resistor of size 0805 (imperial), by data sheets; wide enough for a 22G needle
CHIP_MG = 5.5  # from memory, plus or minus 20 %
SETTLE_S = 1.2
CALM_KPA = 0.3
PATIENCE_S = 4.0
PRESS_MS = 120


class Unexpected(AirquillError):
    """A step did not come to what it should: exit code 1."""

    def __init__(self, step: str, wanted: str, seen: str) -> None:
        super().__init__(f"{step}: expected {wanted}, but saw {seen}.", 1)


@dataclass
class Step:
    """One step: what was done, and what was seen of it."""

    title: str
    seen: list[str] = field(default_factory=list)


@dataclass
class Story:
    """What came of the demonstration. `keys` are what the computer took, in words."""

    steps: list[Step]
    trace: Trace
    keys: list[str]
    record: Record
    record_path: Path
    seconds: float

    def as_json(self) -> dict[str, Any]:
        return {
            "steps": [asdict(step) for step in self.steps],
            "keys": self.keys,
            "trace": self.trace.as_json(),
            "verdict": self.record.verdict,
            "record": str(self.record_path),
            "seconds": round(self.seconds, 1),
        }


def tell(folder: Path, on_start: Callable[[str], None], on_done: Callable[[Step, Trace | None], None]) -> Story:
    """Run the demonstration in a folder. Raises Unexpected when a step does not come to what it should."""
    return _Teller(folder, on_start, on_done).tell()


class _Teller:
    def __init__(
        self, folder: Path, on_start: Callable[[str], None], on_done: Callable[[Step, Trace | None], None]
    ) -> None:
        self._folder = folder
        self._on_start = on_start
        self._on_done = on_done
        self._steps: list[Step] = []
        self._keys: list[str] = []

    def _step(self, title: str, work: Callable[[Step], Trace | None]) -> None:
        self._on_start(title)
        step = Step(title)
        trace = work(step)
        self._steps.append(step)
        self._on_done(step, trace)

    def tell(self) -> Story:
        begun = time.monotonic()
        self._on_start("Start a virtual unit")
        with virtual_unit(self._folder / "unit", self._folder / "state") as running:
            started = Step(
                "Start a virtual unit", [f"A MicroPython interpreter runs the firmware at {running['port']}."]
            )
            self._steps.append(started)
            self._on_done(started, None)
            self._step("Find it", lambda step: self._find(step, running["port"]))
            with (
                Client.open(running["port"]) as self._unit,
                Control.at(Path(running["folder"]) / "control") as self._hand,
            ):
                self._step("Give it a serial, and the bench's profile", self._configure)
                self._step("Learn the 22G needle", self._learn)
                self._step("Bind the second pedal to Down Arrow", lambda step: self._bind(step, "Down Arrow"))
                self._step("Bind it to Page Down instead", lambda step: self._bind(step, "Page Down"))
                self._step("Pick an 0805 resistor by the first pedal", self._pick)
                self._step("Save, and restart the unit", self._restart)
                self._step("Accept it", self._accept)
        return Story(self._steps, self._trace, self._keys, self._record, self._record_path, time.monotonic() - begun)

    # ---- steps

    def _find(self, step: Step, port: str) -> None:
        found = discovery.find(ports=(), volumes=())
        if [one.port for one in found if one.is_unit] != [port]:
            raise Unexpected(step.title, f"one unit at {port}", _listed([one.port for one in found]))
        one = found[0]
        step.seen.append(f"{one.kind} at {one.port}: board {one.board}, chip {one.chip}, firmware {one.firmware}.")

    def _configure(self, step: Step) -> None:
        unit = self._unit
        unit.set({"unit.serial": SERIAL}, keep=True)
        with as_file(files("airquill.demo") / "heather.toml") as path:
            profile = load(path)
        changes = differences(unit.settings(), unit.all_settings(), profile)
        apply(unit, changes)
        left = differences(unit.settings(), unit.all_settings(), profile)
        if left:
            raise Unexpected(step.title, "the profile on the unit", f"{left[0].path} unchanged")
        step.seen.append(f"{profile.title}: {len(changes)} settings changed, for example")
        step.seen += ["  {}: {} to {}".format(change.path, *change.texts()) for change in changes[:3]]

    def _learn(self, step: Step) -> None:
        unit, hand = self._unit, self._hand
        hand.needle(22)
        unit.do("pick")
        try:
            self._calm(step)
            unit.do("learn", "open")
            hand.tip("sealed")
            self._calm(step)
            said = unit.do("learn", "sealed")
        finally:
            unit.do("release")
            hand.tip("open")
        step.seen.append(
            f"Open tip {said['open_kpa']} kPa, sealed {said['sealed_kpa']} kPa: a grip is what lies between."
        )
        self._wait(step, "cycle.state", "idle")

    def _calm(self, step: Step) -> None:
        """Wait until the vacuum stands still: the unit's noise figure is over the last whole second."""
        port = self._unit.port
        port.sleep(SETTLE_S)
        end = port.now() + PATIENCE_S
        while (noise := self._unit.get("sensor.noise_kpa")["sensor.noise_kpa"]) is None or float(noise) > CALM_KPA:
            if port.now() > end:
                raise Unexpected(step.title, "the vacuum to stand still", f"{noise!s} kPa of noise")
            port.sleep(0.1)

    def _bind(self, step: Step, stroke: str) -> None:
        self._unit.set({"pedal2.tap_keys": encode(stroke)})
        self._tap_and_look(step, stroke)

    def _tap_and_look(self, step: Step, stroke: str) -> None:
        """Press the second pedal and read, from what the computer took, which keys those were."""
        first = len(self._hand.reports())
        self._hand.press(2, ms=PRESS_MS)
        reports = self._reports_after(first)
        keys = typed(reports)
        if keys != stroke:
            raise Unexpected(step.title, f"the computer to see {stroke}", keys or "no key at all")
        left = still_down(reports)
        if left:
            raise Unexpected(step.title, "all keys up again", f"{_listed(left)} still down")
        self._wait(step, "pedal2.down", False)  # the foot is up again before anything else
        self._keys.append(keys)
        step.seen.append(f"One press; the computer took {', '.join(report.hex() for _, report in reports)}: {keys}.")

    def _reports_after(self, first: int) -> list[tuple[int, bytes]]:
        """Reports from number `first` on, once the stroke has ended or time is up."""
        port = self._unit.port
        end = port.now() + PATIENCE_S / 2
        while True:
            port.sleep(0.1)
            reports = self._hand.reports(first)
            if (reports and not any(reports[-1][1])) or port.now() > end:
                return reports

    def _pick(self, step: Step) -> Trace:
        hand = self._hand
        with Recorder(self._unit) as recorder:
            recorder.run(0.2)
            hand.touch(CHIP_MM, CHIP_MG)
            hand.press(1)
            try:
                held = recorder.run_to("holding", PATIENCE_S)
                lifted = hand.lift()
                recorder.run(0.6)
                if lifted:
                    hand.place(0.0)
            finally:
                hand.release(1)
            idle = recorder.run_to("idle", PATIENCE_S)
            recorder.run(0.3)
            hand.press(2, ms=PRESS_MS)
            recorder.run(0.5)
        trace = self._trace = recorder.trace()
        if not held or not lifted:
            raise Unexpected(
                step.title, "the part to be gripped and lifted", _listed([word for _, word in trace.states])
            )
        if not idle:
            raise Unexpected(step.title, "the unit at rest after the release", _listed([w for _, w in trace.states]))
        told = [text.removeprefix("part ") for _, text in trace.marks if text.startswith("part ")]
        if told != ["found", "released"]:
            raise Unexpected(step.title, "a part found, then released", _listed(told))
        step.seen.append(
            f"Gripped {trace.when('holding') or 0:.2f} s after vacuum came on, lifted, set down, released."
        )
        return trace

    def _restart(self, step: Step) -> None:
        unit = self._unit
        unit.save()
        before, boots = unit.all_settings(), unit.greeting.boots
        unit.do("restart")
        said = unit.wait_for_restart()
        if said.cause != "restart" or said.boots != boots + 1:
            raise Unexpected(step.title, f"start {boots + 1}, by restart", f"start {said.boots}, by {said.cause}")
        after = unit.all_settings()
        lost = [path for path, value in before.items() if after.get(path) != value]
        if lost:
            raise Unexpected(step.title, "all settings kept", f"{_listed(lost)} changed")
        step.seen.append(f"Start number {said.boots}; all {len(after)} settings are as before.")
        self._tap_and_look(step, "Page Down")

    def _accept(self, step: Step) -> None:
        bench = Bench(self._unit, load_limits(), ControlHands(self._hand), SERIAL)
        self._record = run(bench, Place(station="demo"), checks=SHORT)
        self._record_path = write_record(self._record, self._folder / "records")
        if self._record.verdict != "accepted":
            raise Unexpected(step.title, "the verdict accepted", f"{self._record.verdict}: {self._record.sentence}")
        step.seen.append(f"{self._record.verdict.capitalize()}. {self._record.sentence}")
        for check in self._record.checks:
            shown = [f"{one.name} {one.shown}" for one in check.figures if not isinstance(one.value, bool)]
            step.seen.append(f"  {check.title}: {check.outcome}; {', '.join(shown)}")

    def _wait(self, step: Step, path: str, value: Value) -> None:
        """Wait until a reading has a value."""
        end = self._unit.port.now() + PATIENCE_S
        while (seen := self._unit.get(path)[path]) != value:
            if self._unit.port.now() > end:
                raise Unexpected(step.title, f"{path} to become {value!s}", str(seen))
            self._unit.port.sleep(0.05)


def _listed(words: Sequence[str]) -> str:
    return ", ".join(words) or "nothing"
