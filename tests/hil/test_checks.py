"""Each figure passes on a sound virtual unit and fails under the fault it names; outputs are safe whatever happens."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.link.problems import LinkLost
from airquill.simulator.control import Control
from airquill.tuning.baseline import SETTING as BASELINE
from airquill.tuning.hands import ControlHands, PersonHands, control_of
from airquill_hil import check_keys
from airquill_hil.attendant import ControlAttendant, PersonAttendant
from airquill_hil.bench import Bench
from airquill_hil.check import Check, Figure, Measured
from airquill_hil.checks import CHECKS, SHORT
from airquill_hil.faults import injected
from airquill_hil.limits import Outcome, load_limits
from airquill_hil.rig import ABILITIES, Drive, VirtualRig
from airquill_hil.run import failure_line, run, run_check

SERIAL = "HEATHER-07"
BY_NAME = {check.name: check for check in CHECKS}
# Those of the update need a unit with a disk: test_check_update.py.
FIGURES = [(check, figure) for check in CHECKS if not check.only_with for figure in check.figures]


def bench_at(url: str, label: str = SERIAL, altitude_m: float = 0.0) -> tuple[Bench, Control]:
    unit = Client.open(url)
    unit.set({"unit.serial": SERIAL}, keep=True)
    control = control_of(unit)
    assert control is not None
    hands, rig, attendant = ControlHands(control), VirtualRig(control), ControlAttendant(control)
    return Bench(unit, load_limits(), hands, label, altitude_m, rig, attendant), control


def is_safe(control: Control) -> bool:
    outputs = control.outputs()
    return outputs["pump"] == 0 and outputs["valve"] == 0


def test_a_sound_unit_is_accepted_and_left_as_it_was() -> None:
    bench, control = bench_at("sim://")
    before = bench.unit.all_settings()
    record = run(bench)
    assert record.verdict == "accepted", record.sentence
    assert {figure.outcome for check in record.checks for figure in check.figures} == {Outcome.PASS}
    assert [check.name for check in record.checks if check.beside] == ["update"]
    assert bench.unit.all_settings() == {**before, BASELINE: record.baseline}
    assert bench.unit.get("settings.unsaved", "fault.active") == {"settings.unsaved": False, "fault.active": 0}
    assert is_safe(control)


@pytest.mark.parametrize(("check", "figure"), FIGURES, ids=[f"{figure.name}-{figure.fault}" for _, figure in FIGURES])
def test_a_figure_fails_under_its_fault(check: Check, figure: Figure) -> None:
    bench, control = bench_at("sim://")
    sound = {one.name: one.outcome for one in run_check(bench, check).figures}
    assert sound[figure.name] is Outcome.PASS
    with injected(figure.fault, bench.unit, control):
        record = run_check(bench, check)
        bench.safe()
    found = next(one for one in record.figures if one.name == figure.name)
    assert found.outcome is Outcome.FAIL, failure_line(found)
    line = failure_line(found)
    assert figure.name in line and figure.reason in line and found.shown in line


def test_a_failed_figure_rejects_the_unit() -> None:
    bench, control = bench_at("sim://")
    control.fault("pump_wear", 0.6)
    record = run(bench)
    assert record.verdict == "rejected"
    assert "vacuum" in record.sentence
    assert is_safe(control)


@pytest.mark.parametrize(
    ("url", "label", "skipped"),
    [
        ("sim://?sensor=off", SERIAL, {"vacuum", "decay", "sensor", "vent", "trigger", "sensor_plug"}),
        ("sim://?keyboard=off", SERIAL, {"key", "trigger"}),
        ("sim://?panel=off", SERIAL, {"panel", "bar"}),
        ("sim://", "", {"identity"}),
    ],
)
def test_what_cannot_be_checked_makes_the_verdict_partial(url: str, label: str, skipped: set[str]) -> None:
    bench, _ = bench_at(url, label)
    record = run(bench)
    left = {check.name for check in record.checks if check.outcome is Outcome.SKIPPED and not check.beside}
    assert left == skipped
    assert record.verdict == "partial"


def test_without_hands_and_rig_what_the_unit_says_of_itself_is_checked() -> None:
    unit = Client.open("sim://")
    unit.set({"unit.serial": SERIAL}, keep=True)
    record = run(Bench(unit, load_limits(), None, SERIAL))
    assert record.verdict == "partial"
    assert [check.name for check in record.checks if check.outcome is Outcome.PASS] == ["identity", "link"]


def test_without_a_rig_the_verdict_is_partial_and_names_what_is_missing() -> None:
    unit = Client.open("sim://")
    unit.set({"unit.serial": SERIAL}, keep=True)
    control = control_of(unit)
    assert control is not None
    record = run(Bench(unit, load_limits(), ControlHands(control), SERIAL, 0.0, None, ControlAttendant(control)))
    assert record.verdict == "partial"
    skipped = {check.name: check for check in record.checks if check.outcome is Outcome.SKIPPED and not check.beside}
    checks = [check for check in CHECKS if not check.only_with]
    by_rig = {check.name for check in checks if set(ABILITIES) & {*check.needs, *(one.needs for one in check.figures)}}
    assert set(skipped) == by_rig
    assert "(gates)" in skipped["pwm"].sentence and "(power)" in skipped["power"].sentence


def test_the_first_error_of_the_rig_ends_the_run() -> None:
    bench, control = bench_at("sim://")

    class Unplugged(VirtualRig):
        def drives(self) -> list[Drive]:
            raise AirquillError("The rig at /dev/rig does not answer.", 3)

    broken = Bench(bench.unit, bench.limits, bench.hands, SERIAL, 0.0, Unplugged(control))
    record = run(broken)
    assert record.verdict == "error" and "The rig at /dev/rig" in record.sentence
    assert record.checks[-1].name == "start" and len(record.checks) < len(CHECKS)
    assert is_safe(control)


def test_the_short_list_is_part_of_the_whole() -> None:
    assert [check.name for check in SHORT] == ["identity", "vacuum", "vent", "pedal", "key"]


def test_the_power_is_on_again_after_a_run_that_ended_without() -> None:
    bench, control = bench_at("sim://")

    def measure(_: Bench) -> Measured:
        bench.rig.power(False)
        raise AirquillError("The rig came off.")

    run(bench, checks=(Check("dark", "Dark", ("power",), (), measure),))
    bench.unit.port.sleep(1.0)
    assert bench.unit.greet_again().cause == "power"
    assert is_safe(control)


@pytest.mark.parametrize("check", ["power", "cuts"])
def test_a_run_that_is_stopped_without_power_gives_settings_back(check: str, monkeypatch: pytest.MonkeyPatch) -> None:
    bench, control = bench_at("sim://")
    before = bench.unit.all_settings()
    power, count = bench.rig.power, iter(range(100))

    def stopped(on: bool) -> None:
        power(on)
        if next(count) == (6 if check == "cuts" else 0):
            raise KeyboardInterrupt

    monkeypatch.setattr(bench.rig, "power", stopped)
    record = run(bench, checks=(BY_NAME[check],))
    assert record.verdict == "error" and "stopped" in record.sentence
    assert bench.unit.all_settings() == before
    assert bench.unit.get("settings.unsaved")["settings.unsaved"] is False
    assert is_safe(control)


def test_settings_that_were_never_saved_are_not_lost_by_a_check() -> None:
    bench, _ = bench_at("sim://")
    bench.unit.set({"pump.idle_pct": 33})
    record = run(bench)
    left = [one.name for one in record.checks if one.outcome is Outcome.SKIPPED and not one.beside]
    assert record.verdict == "partial" and left == ["power", "watchdog", "cuts"]
    assert "settings are saved" in next(one.sentence for one in record.checks if one.name == "cuts")
    assert bench.unit.get("pump.idle_pct")["pump.idle_pct"] == 33


def failing(error: BaseException) -> Check:
    """A check that goes wrong with vacuum on."""

    def measure(bench: Bench) -> Measured:
        bench.hands.seal_tip()
        bench.unit.do("pick")
        bench.unit.port.sleep(0.5)
        raise error

    return Check("broken", "Broken", (), (), measure)


@pytest.mark.parametrize("error", [AirquillError("The rig came off."), KeyboardInterrupt()])
def test_an_error_of_the_bench_ends_the_run_and_leaves_outputs_safe(error: BaseException) -> None:
    bench, control = bench_at("sim://")
    record = run(bench, checks=(failing(error), *CHECKS))
    assert record.verdict == "error"
    assert [check.name for check in record.checks] == ["broken"]
    assert is_safe(control)
    assert control.truth()["tip"] == "open"


def test_a_fault_of_the_bench_program_leaves_outputs_safe_too() -> None:
    bench, control = bench_at("sim://")
    with pytest.raises(ZeroDivisionError):
        run(bench, checks=(failing(ZeroDivisionError()),))
    assert is_safe(control)


def test_a_lost_link_is_an_error_and_says_that_outputs_may_be_on(monkeypatch: pytest.MonkeyPatch) -> None:
    bench, _ = bench_at("sim://")

    def lost(*_: object, **__: object) -> None:
        raise LinkLost("sim://")

    def measure(_: Bench) -> Measured:
        monkeypatch.setattr(bench.unit, "request", lost)
        raise LinkLost("sim://")

    record = run(bench, checks=(Check("unplugged", "Unplugged", (), (), measure),))
    assert record.verdict == "error"
    assert "switch its supply off" in record.sentence


def test_a_bench_that_dies_leaves_the_unit_to_make_itself_safe(monkeypatch: pytest.MonkeyPatch) -> None:
    bench, control = bench_at("sim://")
    control.tip("sealed")

    def vanish(*_: object) -> None:
        raise SystemExit

    monkeypatch.setattr("airquill.report.trace.Recorder.run", vanish)
    monkeypatch.setattr(bench, "_settle", vanish)
    with pytest.raises(SystemExit):
        do = bench.unit.do
        monkeypatch.setattr(
            bench.unit,
            "do",
            lambda what, *a: do(what, *a) if what in ("dead_man", "strength", "pick") and a != (0,) else {},
        )
        bench.record_pick(1.0)
    assert not is_safe(control)
    bench.unit.port.sleep(4.0)
    assert is_safe(control)


def test_levels_are_corrected_to_sea_level() -> None:
    # ISO 2533, table: 84.556 kPa at 1500 m.
    bench, _ = bench_at("sim://", altitude_m=1500)
    assert bench.ambient_kpa == pytest.approx(84.556, abs=0.01)
    assert bench.at_sea_level(45.0) == pytest.approx(45.0 * 101.325 / 84.556, rel=1e-4)
    sealed = next(one for one in run_check(bench, BY_NAME["vacuum"]).figures if one.name == "sealed_kpa")
    at_sea = next(
        one for one in run_check(bench_at("sim://")[0], BY_NAME["vacuum"]).figures if one.name == "sealed_kpa"
    )
    assert sealed.value == pytest.approx(float(at_sea.value or 0) * 101.325 / 84.556, rel=0.01)


def test_an_altitude_beyond_the_standard_is_refused() -> None:
    with pytest.raises(AirquillError):
        Bench(Client.open("sim://"), load_limits(), None, "", 20000)


def test_two_level_control_does_not_hide_a_weak_pump() -> None:
    bench, _ = bench_at("sim://")
    bench.unit.set({"control.mode": "two_level", "preset2.target_kpa": Decimal(20)}, keep=True)
    sealed = next(one for one in run_check(bench, BY_NAME["vacuum"]).figures if one.name == "sealed_kpa")
    assert sealed.outcome is Outcome.PASS
    assert bench.unit.get("control.mode")["control.mode"] == "two_level"


def test_bounce_is_one_press() -> None:
    bench, control = bench_at("sim://")
    control.fault("pedal_bounce", 0.4)
    assert run_check(bench, BY_NAME["pedal"]).outcome is Outcome.PASS


def test_test_reports_are_what_a_computer_reads_as_the_test_stroke() -> None:
    from airquill.keys import typed

    assert typed(list(enumerate(check_keys.TEST_REPORTS))) == check_keys.TEST_STROKE


def test_a_person_is_asked_for_what_a_hand_must_do() -> None:
    unit = Client.open("sim://")
    unit.set({"unit.serial": SERIAL}, keep=True)
    control = control_of(unit)
    assert control is not None
    said: list[str] = []
    answers: dict[str, Callable[[], object]] = {
        "Put a 22G": lambda: control.needle(22),
        "Close the tip": lambda: control.tip("sealed"),
        "Hold the tip": lambda: control.tip("open"),
        "Press pedal 1 once": lambda: control.press(1, ms=300),
        "Press pedal 2 once": lambda: control.press(2, ms=300),
        "Hold pedal 1": lambda: control.press(1, ms=1000),
        "Hold pedal 2": lambda: control.press(2, ms=1000),
        "Press pedal 1 twice": lambda: twice(control, 1),
        "Press pedal 2 twice": lambda: twice(control, 2),
        "Turn the knob 4 clicks clockwise": lambda: control.knob(4),
        "Push the knob": lambda: push(control),
        "Pull the vacuum sensor": lambda: control.fault("sensor_dead", 1),
        "Put back the vacuum sensor": lambda: control.fault("sensor_dead", 0),
        "Pull the plug of the 12 V": lambda: control.supply(0),
        "Put back the plug of the 12 V": lambda: control.supply(12),
        "Which lamps": lambda: None,
    }

    def person(sentence: str) -> None:
        said.append(sentence)
        next(answer for start, answer in answers.items() if sentence.startswith(start))()

    def answer(sentence: str) -> str:
        person(sentence)
        return " ".join(str(n) for n in sorted(ControlAttendant(control).lamps())) or "0"

    somebody = PersonAttendant(person, answer)
    hands = PersonHands(person, person)
    record = run(Bench(unit, load_limits(), hands, SERIAL, 0.0, VirtualRig(control), somebody))
    assert record.verdict == "accepted", record.sentence
    assert set(answers) == {next(start for start in answers if sentence.startswith(start)) for sentence in said}
    key = next(check for check in record.checks if check.name == "key")
    assert "as the unit tells it" in key.figures[0].note


def twice(control: Control, pedal: int) -> None:
    control.press(pedal, ms=60)
    control.sleep(0.15)
    control.press(pedal, ms=60)


def push(control: Control) -> None:
    control.knob_push(True)
    control.sleep(0.1)
    control.knob_push(False)
