"""The rig: its own firmware over its own line, around a virtual unit; and what happens when it fails."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import airquill.simulator
import rigs
from airquill.errors import AirquillError
from airquill.link.client import Client, Refused
from airquill.simulator.units import control
from airquill.tuning.hands import ControlHands
from airquill_hil.bench import Bench
from airquill_hil.checks import chosen_checks
from airquill_hil.limits import Outcome, load_limits
from airquill_hil.rig import Rig, SerialRig
from airquill_hil.rig_hands import RigHands
from airquill_hil.run import run
from command_line import airquill as command
from rigs.protocol_rig import Serial

ROOT = Path(__file__).parents[2]
URL, RIG = "sim://rigged", "rig://rigged"
BY_RIG = ("supply", "current", "pwm", "start", "valve", "preset", "sensor", "latency", "power", "stuck", "cuts")
assert rigs


@pytest.fixture(autouse=True)
def fresh() -> Iterator[None]:
    airquill.simulator.reset()
    Serial.unplugged = False
    yield
    Serial.unplugged = False
    airquill.simulator.reset()


def bench_with(rig: Rig) -> Bench:
    unit = Client.open(URL)
    unit.set({"unit.serial": "HEATHER-07"}, keep=True)
    return Bench(unit, load_limits(), ControlHands(control(URL)), "HEATHER-07", 0.0, rig)


def test_a_sound_unit_passes_what_a_rig_checks() -> None:
    record = run(bench_with(SerialRig.open(RIG)), checks=chosen_checks(BY_RIG))
    assert record.verdict == "accepted", record.sentence
    assert {check.outcome for check in record.checks} == {Outcome.PASS}


def test_what_the_rig_sees_is_the_truth_and_not_the_units_word() -> None:
    bench = bench_with(SerialRig.open(RIG))
    control(URL).fault("sensor_drift", 0.5)
    record = run(bench, checks=chosen_checks(["sensor"]))
    figures = {figure.name: figure for figure in record.checks[0].figures}
    assert figures["zero_error_kpa"].value == pytest.approx(4.0, abs=0.3)  # half of the fault's 8 kPa
    assert figures["zero_error_kpa"].outcome is Outcome.FAIL


def test_the_rig_presses_with_bounce_and_says_when() -> None:
    rig = SerialRig.open(RIG)
    unit = Client.open(URL)
    unit.listen("edge", "pedal")
    before = unit.get("pedal1.presses")["pedal1.presses"]
    first = rig.press(1, 200, [500, 900, 1500])
    unit.port.sleep(0.4)
    second = rig.press(1, 50)
    unit.port.sleep(0.2)
    assert unit.get("pedal1.presses")["pedal1.presses"] == int(str(before)) + 2
    assert 400_000 <= second - first < 410_000


@pytest.mark.parametrize(
    ("fields", "word"),
    [
        (("press", "3", "100"), "out_of_range"),
        (("press", "1", "100", '"900,500"'), "out_of_range"),
        (("press", "1", "100", '"1,2,3,4,5,6,7"'), "out_of_range"),
        (("press", "1", "100", '"soon"'), "out_of_range"),
        (("press", "1"), "missing_field"),
        (("rest", "now"), "extra_field"),
        (("dance",), "unknown_action"),
    ],
)
def test_a_bad_request_is_refused_in_the_words_of_the_protocol(fields: tuple[str, ...], word: str) -> None:
    rig = Client.open(RIG)
    Client.open(URL)
    with pytest.raises(Refused) as refused:
        rig.request("do", *fields)
    assert refused.value.word == word
    assert rig.request("get", "pump.hz") == ["pump.hz=0"]


def test_a_rig_whose_host_is_silent_goes_to_rest() -> None:
    rig = SerialRig.open(RIG)
    unit = control(URL)
    rig.tip("sealed")
    rig.power(False)
    line = rig._client.port.raw
    line.timeout = 31.0
    line.read(1000)
    assert line.board.tip_state == 0
    unit.sleep(1.0)
    assert Client.open(URL).greeting.cause == "power"


def test_a_rig_that_comes_off_ends_the_run_as_an_error_with_outputs_safe(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = SerialRig.open(RIG)

    def unplug() -> None:
        Serial.unplugged = True
        rig.gates()

    monkeypatch.setattr(rig, "record", unplug)
    record = run(bench_with(rig), checks=chosen_checks(BY_RIG))
    assert record.verdict == "error" and "The rig at rig://rigged was lost." in record.sentence
    assert record.checks[-1].name == "start" and record.checks[-1].outcome is Outcome.ERROR
    outputs = control(URL).outputs()
    assert outputs["pump"] == outputs["valve"] == 0


def test_the_rigs_hands_press_and_close_the_tip() -> None:
    rig = SerialRig.open(RIG)
    bench = bench_with(rig)
    hands = RigHands(rig, ControlHands(control(URL)))
    handled = Bench(bench.unit, bench.limits, hands, "HEATHER-07", 0.0, rig)
    record = run(handled, checks=chosen_checks(["vacuum", "vent", "pedal", "gesture", "key"]))
    assert record.verdict == "accepted", record.sentence
    assert control(URL).truth()["tip"] == "open"


def test_a_unit_is_no_rig() -> None:
    with pytest.raises(AirquillError, match="is a unit, not a rig"):
        SerialRig.open(URL)


def test_accept_takes_a_rig_by_its_port(tmp_path: object) -> None:
    command("set", "unit.serial=HEATHER-07", "--keep", "--port", URL).done()
    arguments = ("accept", "--port", URL, "--serial", "HEATHER-07", "--out", tmp_path, "--rig")
    answer = command(*arguments, RIG)
    assert answer.code == 0 and "Accepted. All 26 checks passed." in answer.out
    assert "is a unit, not a rig" in command(*arguments, "sim://other").sentences(2)


def test_page_and_figure_have_the_pins_of_the_firmware() -> None:
    board = (ROOT / "hil/rig/airquill_rig/board.py").read_text()
    pins = {
        int(number)
        for line in re.findall(r"(?m)^(?:PEDALS|GATES|POWER|SEAL|ORIFICE|VOLTS, CURRENT, VACUUM) = (.*)$", board)
        for number in re.findall(r"\d+", line)
    }
    assert len(pins) == 10
    figure = {int(number) for number in re.findall(r">GPIO (\d+)<", (ROOT / "docs/rig.svg").read_text())}
    assert figure == pins
    page = (ROOT / "docs/rig.md").read_text()
    table = page[page.index("## The schematic") : page.index("## Bill")]
    ours = re.sub(r"\(its GPIO[^)]*\)", "", table)
    named = {
        int(number) for group in re.findall(r"GPIO ((?:\d+(?:, )?)+)", ours) for number in re.findall(r"\d+", group)
    }
    assert named == pins
