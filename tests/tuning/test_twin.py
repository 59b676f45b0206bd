"""Twin files: what was written comes back, what is damaged or made to mislead is refused with the field, and a twin
runs as a unit."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import airquill.simulator as airquill_simulator
from airquill.errors import AirquillError
from airquill.planning.choice import Bench
from airquill.report.tune import tune_page
from airquill.simulator.unit import Unit
from airquill.tuning.recommend import recommend
from airquill.tuning.twin import save_twin
from airquill.twin.file import MOST_BYTES, load_twin
from tuning.tuned import measured, tool_at, twin


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("twin") / "heather-07.json"
    save_twin(twin(), path)
    return path


def changed(written: Path, tmp_path: Path, change: Any) -> Path:
    data = json.loads(written.read_text())
    change(data)
    path = tmp_path / "changed.json"
    path.write_text(json.dumps(data))
    return path


def test_what_was_written_comes_back(written: Path) -> None:
    assert load_twin(written) == twin().model_copy(update={"made": load_twin(written).made})
    back = load_twin(written).measurement()
    assert [level.kpa for level in back.levels] == pytest.approx([level.kpa for level in measured().levels], abs=1e-4)
    assert back.source == "sensor"


def parameter(name: str, **numbers: float) -> Any:
    return lambda data: data["parameters"][name].update(numbers)


BAD = {
    "another version": (lambda d: d.update(format=2), "format 1"),
    "no version": (lambda d: d.update(format=None), "format 1"),
    "a field more": (lambda d: d.update(run="import os"), "run: extra inputs"),
    "a parameter more": (lambda d: d["parameters"].update({"<b>": d["parameters"]["end_kpa"]}), "none called '<b>'"),
    "a parameter less": (lambda d: d["parameters"].pop("leak_ml_s"), "leak_ml_s is missing"),
    "beyond physics": (parameter("end_kpa", value=150.0, high=160.0), "end_kpa: its value must be 5 to 98, not 150"),
    "below physics": (parameter("pen_ml", value=-1.0, low=-2.0), "pen_ml: its value must be 5 to 200"),
    "outside its interval": (parameter("valve_c", low=2.0, high=3.0), "valve_c: its value"),
    "a needle that is none": (lambda d: d["needles"].update({"99": d["needles"]["22"]}), "'99' is no gauge"),
    "a needle like a hose": (lambda d: d["needles"]["22"].update(value=40.0, high=50.0), "needle_22: its value"),
    "no number": (lambda d: d["parameters"]["lag_ms"].update(value="much"), "lag_ms.value"),
    "not finite": (lambda d: d.update(noise_kpa=float("nan")), "noise_kpa"),
    "a floor above what runs": (lambda d: d.update(stalls_pct=60.0, runs_pct=30.0), "cannot stall above"),
    "letters that move the cursor": (lambda d: d["unit"].update(name="\x1b[2J"), "unit.name: it holds characters"),
    "a long text": (lambda d: d["unit"].update(serial="x" * 1000), "unit.serial"),
    "times that go back": (lambda d: d["recordings"][0]["at_s"].reverse(), "times of at_s must grow"),
    "times without vacuum": (lambda d: d["recordings"][0]["kpa"].pop(), "as many numbers"),
    "too many samples": (lambda d: d["recordings"][0].update(at_s=list(range(6000))), "recordings.0.at_s"),
    "vacuum beyond a vacuum": (lambda d: d["levels"][0].update(kpa=500.0), "levels.0.kpa"),
    "another kind of file": (lambda d: d.update(kind="checkup"), "kind"),
}


@pytest.mark.parametrize("what", BAD)
def test_what_cannot_be_is_refused_with_its_field(written: Path, tmp_path: Path, what: str) -> None:
    change, said = BAD[what]
    path = changed(written, tmp_path, change)
    with pytest.raises(AirquillError, match=re.escape(said)) as refused:
        load_twin(path)
    assert str(path) in refused.value.sentence
    assert refused.value.exit_code == 2
    assert "\n" not in refused.value.sentence
    assert "\x1b" not in refused.value.sentence


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"\xff\xfe\x00", b"[" * 100000, b'{"format": 1', b"null", b"[1, 2]", b'"airquill twin"'],
)
def test_a_damaged_file_is_a_sentence(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "damaged.json"
    path.write_bytes(content)
    with pytest.raises(AirquillError, match="no sound twin"):
        load_twin(path)


def test_a_file_cut_anywhere_is_a_sentence(written: Path, tmp_path: Path) -> None:
    content = written.read_bytes().rstrip()
    path = tmp_path / "cut.json"
    for length in range(0, len(content) - 1, max(len(content) // 60, 1)):
        path.write_bytes(content[:length])
        with pytest.raises(AirquillError, match="damaged"):
            load_twin(path)


def test_a_file_that_is_too_large_or_missing_is_a_sentence(tmp_path: Path) -> None:
    path = tmp_path / "large.json"
    path.write_bytes(b" " * (MOST_BYTES + 10))
    with pytest.raises(AirquillError, match="more than 4 MB"):
        load_twin(path)
    with pytest.raises(AirquillError, match="cannot be read"):
        load_twin(tmp_path / "none.json")


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.recursive(st.none() | st.booleans() | st.floats() | st.text(max_size=8), lambda one: st.lists(one, max_size=3))
)
def test_any_value_in_any_place_is_taken_or_refused(written: Path, tmp_path: Path, value: Any) -> None:
    data = json.loads(written.read_text())
    for key in data:
        path = tmp_path / "odd.json"
        path.write_text(json.dumps({**data, key: value}))
        try:
            load_twin(path)
        except AirquillError as refused:
            assert "Traceback" not in refused.sentence


def test_its_texts_are_never_markup(written: Path, tmp_path: Path) -> None:
    evil = "</title><script>alert(1)</script>"

    def change(data: Any) -> None:
        data["unit"].update(serial=evil)
        data["misses"][0].update(what=evil)
        data["parameters"]["line_ml"].update(told=False, why=evil)

    path = changed(written, tmp_path, change)
    found = load_twin(path)
    tool, _ = tool_at("sim://")
    for advice in (None, recommend(found, tool.unit.all_settings(), 0.0, True)):
        shown = tune_page(found, advice)
        assert "<script" not in shown
        assert "&lt;script&gt;" in shown
        # self-contained: nothing is fetched
        assert not re.search(r"(src|href)\s*=\s*[\"']?\s*(https?:|//)", shown)


def test_a_twin_runs_as_a_unit_in_this_process(written: Path) -> None:
    """Its levels, read by another way, are those that were measured."""
    airquill_simulator.reset()
    tool, control = tool_at(f"sim://?twin={written}&needle=22")
    with tool.settings({"control.mode": "steady"}), tool.vacuum(100):
        tool.unit.port.sleep(2.0)
        open_kpa = control.truth()["pen_kpa"]
    control.tip("sealed")
    with tool.settings({"control.mode": "steady"}), tool.vacuum(100):
        tool.unit.port.sleep(2.0)
        sealed_kpa = control.truth()["pen_kpa"]
    seen = {level.sealed: level.kpa for level in measured().levels if level.duty == 1.0}
    assert open_kpa == pytest.approx(seen[False], abs=0.3)
    assert sealed_kpa == pytest.approx(seen[True], abs=0.3)


def test_a_twins_needles_stay_its_own_when_they_are_changed(written: Path, tmp_path: Path) -> None:
    half = {"value": 0.5, "low": 0.4, "high": 0.6, "told": True}
    path = changed(written, tmp_path, lambda d: d["needles"].update({"22": half}))
    unit = Unit(made_of=load_twin(path).made_of())
    unit.world.set_needle(0, 20)
    assert unit.world.air.needle.c_share == 1.0
    unit.world.set_needle(0, 22)
    assert unit.world.air.needle.c_share == 0.5


def test_a_bad_twin_in_an_address_is_a_sentence(written: Path, tmp_path: Path) -> None:
    path = changed(written, tmp_path, lambda d: d["parameters"]["end_kpa"].update(value=150.0))
    with pytest.raises(AirquillError, match="end_kpa: its value must be 5 to 98"):
        tool_at(f"sim://?twin={path}")


def test_a_plan_holds_less_with_a_weaker_pump(written: Path, tmp_path: Path) -> None:
    weak = changed(written, tmp_path, lambda d: d["parameters"]["end_kpa"].update(value=30.0, low=29.0, high=31.0))
    found = [Bench(air=one.air(), needle=one.needle) for one in (load_twin(written), load_twin(weak))]
    assert found[0].held_kpa(22, True) == pytest.approx(Bench().held_kpa(22, True), abs=1.5)
    assert found[1].held_kpa(22, True) < 31.0
