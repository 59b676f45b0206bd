"""`airquill wiring check`: what is wired wrongly is found and named, the unit is left as it was."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import ClassVar

import pytest

import airquill.simulator as airquill_simulator
from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.simulator.control import Control
from airquill.simulator.units import unit_at
from airquill_hil import wiring_walk
from airquill_hil.wiring_walk import NOTHING, OUTPUTS, Finding, PersonHands, VirtualHands, walk
from command_line import ROOT, airquill

PARTS = [
    "supply", "pedal 1", "pedal 2", "knob", "knob's push", "sensor",
    "valve", "blow", "bar", "pump", "sensor under vacuum",
]  # fmt: skip


@pytest.fixture
def unit() -> Iterator[Client]:
    with Client.open("sim://?blow=on&needle=20") as client:
        yield client


def hands_of(unit: Client) -> VirtualHands:
    return VirtualHands(control(unit))


def control(unit: Client) -> Control:
    return Control.of(unit.port.raw.unit)


def wrong(unit: Client, hands: wiring_walk.Hands) -> dict[str, str]:
    return {finding.part: finding.sentence for finding in walk(unit, hands) if not finding.right}


def test_a_unit_that_is_wired_right_and_left_as_it_was(unit: Client) -> None:
    before = unit.all_settings()
    findings = list(walk(unit, hands_of(unit)))
    assert [finding.part for finding in findings] == PARTS
    assert all(finding.right for finding in findings)
    assert unit.all_settings() == before
    readings = unit.all_readings()
    assert (readings["fault.active"], readings["settings.unsaved"], readings["cycle.state"]) == (0, False, "idle")
    assert str(readings["preset.strength_pct"]) == str(before["preset2.strength_pct"])
    assert not any(control(unit).outputs()[name] for name in OUTPUTS)


def test_the_pump_moves_last_and_every_output_alone(unit: Client) -> None:
    seen: list[tuple[str, list[str]]] = []

    class Watching(VirtualHands):
        def moved(self, output: str, possible: tuple[str, ...]) -> str:
            driven = self._control.outputs()
            seen.append((output, [name for name in OUTPUTS if driven[name]]))
            return super().moved(output, possible)

    list(walk(unit, Watching(control(unit))))
    assert seen == [(name, [name]) for name in ("valve", "blow", "bar", "pump")]


def test_what_is_not_fitted_is_not_asked_for() -> None:
    with Client.open("sim://?sensor=off&panel=off") as unit:
        assert [finding.part for finding in walk(unit, hands_of(unit))] == [
            "supply", "pedal 1", "pedal 2", "valve", "pump",
        ]  # fmt: skip


def test_pedals_changed_over(unit: Client) -> None:
    class Swapped(VirtualHands):
        def press(self, pedal: int) -> None:
            super().press(3 - pedal)

    found = wrong(unit, Swapped(control(unit)))
    assert set(found) == {"pedal 1", "pedal 2"}
    assert "Pedal 2 was felt" in found["pedal 1"]


@pytest.mark.parametrize(
    ("fault", "words"), [("cable_short", "with no foot on it"), ("cable_open", "No press arrived")]
)
def test_a_pedal_s_bad_cable(unit: Client, fault: str, words: str) -> None:
    control(unit).fault(fault, 1.0)
    unit.port.sleep(0.5)
    found = wrong(unit, hands_of(unit))
    assert words in found["pedal 1"] and words in found["pedal 2"]


def test_a_switch_of_the_other_kind(unit: Client) -> None:
    control(unit).contact(1, normally_closed=True)
    unit.port.sleep(0.5)
    assert "pedal1.contact" in wrong(unit, hands_of(unit))["pedal 1"]


def test_a_knob_that_turns_the_other_way_or_not_at_all(unit: Client) -> None:
    class Reversed(VirtualHands):
        def turn(self, steps: int) -> None:
            super().turn(-steps)

        def push(self) -> None:
            pass

    found = wrong(unit, Reversed(control(unit)))
    assert "Change `a` and `b` over" in found["knob"]
    assert "No push arrived" in found["knob's push"]


def test_outputs_changed_over_and_dead_ones_stop_before_vacuum(unit: Client) -> None:
    class Other(VirtualHands):
        def moved(self, output: str, possible: tuple[str, ...]) -> str:
            return {"valve": "blow", "blow": NOTHING}.get(output, output)

    findings = list(walk(unit, Other(control(unit))))
    found = {finding.part: finding.sentence for finding in findings if not finding.right}
    assert set(found) == {"valve", "blow"}
    assert "The second valve moved instead of the valve" in found["valve"]
    assert "did not move" in found["blow"]
    assert "sensor under vacuum" not in [finding.part for finding in findings]


def test_a_tip_that_nobody_closes(unit: Client) -> None:
    class Forgetful(VirtualHands):
        def close_tip(self) -> None:
            self._control.needle(14)

    # Through an open needle of that bore the pump makes little vacuum, which is what a loose hose would show.
    assert "rose to" in wrong(unit, Forgetful(control(unit)))["sensor under vacuum"]


def test_a_sensor_without_its_zero_and_a_low_supply(unit: Client) -> None:
    unit.set({"sensor.zero_code": 9000})
    control(unit).supply(9.0)
    unit.port.sleep(0.5)
    with pytest.raises(AirquillError, match="supply_low"):
        unit.port.sleep(3)
        list(walk(unit, hands_of(unit)))
    control(unit).supply(12.0)
    unit.port.sleep(0.5)
    unit.do("clear")
    assert "take its zero" in wrong(unit, hands_of(unit))["sensor"]


def test_a_stopped_unit_says_why(unit: Client) -> None:
    unit.do("stop")
    with pytest.raises(AirquillError, match="stopped_by_host") as error:
        list(walk(unit, hands_of(unit)))
    assert error.value.exit_code == 1


def test_ctrl_c_leaves_it_safe_with_its_settings(unit: Client) -> None:
    before = unit.all_settings()

    class Leaves(VirtualHands):
        def moved(self, output: str, possible: tuple[str, ...]) -> str:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(walk(unit, Leaves(control(unit))))
    assert unit.all_settings() == before
    assert not any(control(unit).outputs()[name] for name in OUTPUTS)
    assert unit.get("fault.active") == {"fault.active": 0}


def test_a_person_is_asked_again_until_the_answer_is_one(unit: Client) -> None:
    asked: list[str] = []
    waited: list[tuple[str, tuple[int, ...]]] = []
    told: list[str] = []
    answers = iter(["the left one\n", "Valve\n", "blow\n", "bar\n", "pump\n"])
    hands = VirtualHands(control(unit))
    steps: dict[str, Callable[[], None]] = {
        "Press pedal 1": lambda: hands.press(1),
        "Press pedal 2": lambda: hands.press(2),
        "Turn the knob": lambda: hands.turn(3),
        "Push the knob": hands.push,
        "Hold the tip": hands.free_tip,
        "Close the tip": hands.close_tip,
    }

    def do(sentence: str) -> None:
        for words, step in steps.items():
            if sentence.startswith(words):
                step()

    def wait(sentence: str, pedals: tuple[int, ...]) -> None:
        waited.append((sentence, pedals))
        do(sentence)

    def ask(sentence: str) -> str:
        asked.append(sentence)
        return next(answers)

    def tell(sentence: str) -> None:
        told.append(sentence)
        do(sentence)

    findings: list[Finding] = list(walk(unit, PersonHands(wait, ask, tell)))
    assert all(finding.right for finding in findings), findings
    assert len(asked) == 5 and all(sentence.startswith("What moved") for sentence in asked)
    assert "clean fingertip" in waited[-2][0]
    assert {pedals for _, pedals in waited} == {(1, 2)}, "both are right, so a press of either says ready"


def test_a_pedal_that_is_wrong_starts_nothing(unit: Client) -> None:
    control(unit).contact(1, normally_closed=True)
    unit.port.sleep(0.5)

    class Noting(VirtualHands):
        trusted: ClassVar[list[int]] = []

        def trust(self, pedal: int) -> None:
            self.trusted.append(pedal)

    assert "pedal 1" in wrong(unit, Noting(control(unit)))
    assert Noting.trusted == [2]


# -- the command


@pytest.fixture
def sim(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    airquill_simulator.reset()
    monkeypatch.setenv("AIRQUILL_PORT", "sim://walk")
    yield "sim://walk"
    airquill_simulator.reset()


def test_the_command_says_cautions_and_each_part(sim: str) -> None:
    answer = airquill("wiring", "check")
    assert "Never suck or blow by mouth" in answer.err
    assert "10 of 10 parts are as wired." in answer.done()
    assert [found["right"] for found in airquill("wiring", "check", "--json").json] == [True] * 10


def test_the_command_leaves_with_1_when_something_is_wrong(sim: str) -> None:
    Control.of(unit_at(sim)).fault("cable_short", 1.0)
    unit_at(sim).advance(500_000)
    answer = airquill("wiring", "check")
    assert answer.code == 1
    assert "wrong pedal 1" in answer.out
    assert "8 of 10" in answer.out


def test_a_person_who_answers_nothing_gets_a_sentence(sim: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("airquill.tuning.hands.control_of", lambda unit: None)
    answer = airquill("wiring", "check", typed="")
    assert answer.code == 2
    assert answer.err.splitlines()[-1].startswith("This needs a person")
    with Client.open(sim) as unit:
        assert unit.get("fault.active", "pedal1.vacuum") == {"fault.active": 0, "pedal1.vacuum": "momentary"}


def test_a_file_alone(tmp_path: Path) -> None:
    reference = ROOT / "device" / "wiring" / "reference.json"
    assert "GPIO  8  pump" in airquill("wiring", "check", str(reference)).done()
    assert airquill("wiring", "check", str(reference), "--json").json["pins"]["pump"] == 8
    bad = tmp_path / "bad.json"
    bad.write_text(json.dumps(json.loads(reference.read_text()) | {"valve": 8}))
    assert "GPIO 8 is used twice" in airquill("wiring", "check", str(bad)).sentences(2)
    bad.write_bytes(b"\xff\xfe")
    assert "cannot be read" in airquill("wiring", "check", str(bad)).sentences(2)
    assert "cannot be read" in airquill("wiring", "check", str(tmp_path / "gone.json")).sentences(2)
