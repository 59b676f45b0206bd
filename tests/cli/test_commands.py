"""The commands against a virtual unit in this process, which keeps its state between them."""

from __future__ import annotations

import subprocess
import sys

import pytest

from airquill.cli.complete import complete_action, complete_assignment, complete_layout, complete_shown
from airquill.keys import typed
from airquill.link.catalogue import ACTIONS, READINGS, SETTINGS
from airquill.simulator.control import Control
from airquill.simulator.units import control
from command_line import ENVIRONMENT, airquill


@pytest.fixture
def hands(sim: str) -> Control:
    return control(sim)


def test_find_at_a_port(sim: str) -> None:
    (unit,) = airquill("find", "--port", sim, "--json").json
    assert (unit["kind"], unit["port"], unit["board"], unit["next"]) == ("virtual unit", sim, "virtual", "")
    assert "virtual unit" in airquill("find", "--port", sim).done()


def test_show_sums_a_unit_up(sim: str) -> None:
    airquill("set", "--keep", "unit.name=Heather bench").done()
    page = airquill("show").done()
    assert "Heather bench" in page
    assert "State        idle" in page
    assert "Pedal 1      vacuum momentary" in page
    assert "Pedal 2      tap: Down Arrow" in page
    airquill("do", "stop").done()
    stopped = airquill("show", "--json").json
    assert (stopped["fault"], stopped["state"]) == ("stopped_by_host", "stopped")
    assert "stopped_by_host" in stopped["noted_since_start"]
    assert "A stop was asked for" in airquill("show").done()


def test_show_says_what_is_not_saved(sim: str) -> None:
    airquill("set", "--keep", "pump.kick_ms=100").done()
    assert "not saved" not in airquill("show").done()
    airquill("set", "pump.kick_ms=101").done()
    assert "changed and not saved" in airquill("show").done()


def test_show_of_paths_groups_and_lists(sim: str) -> None:
    assert airquill("show", "pump.kick_ms", "--json").json == {"pump.kick_ms": 200}
    assert "200 ms" in airquill("show", "pump.kick_ms").done()
    pump = airquill("show", "pump", "--json").json
    assert set(pump) == {e.path for e in (*SETTINGS, *READINGS) if e.path.startswith("pump.")}
    assert list(airquill("show", "settings", "--json").json) == [entry.path for entry in SETTINGS]
    assert list(airquill("show", "readings", "--json").json) == [entry.path for entry in READINGS]
    assert airquill("show", "pedal2.tap_keys", "--json").json == {"pedal2.tap_keys": "110051"}
    assert "Down Arrow" in airquill("show", "pedal2.tap_keys").done()


def test_set_lasts_until_restart_and_says_so(sim: str) -> None:
    assert "until the unit restarts" in airquill("set", "pump.kick_ms=123").done()
    assert airquill("show", "pump.kick_ms", "--json").json == {"pump.kick_ms": 123}
    assert "is back" in airquill("restart").done()
    assert airquill("show", "pump.kick_ms", "--json").json == {"pump.kick_ms": 200}


def test_set_with_keep_outlasts_a_restart(sim: str) -> None:
    out = airquill("set", "pump.kick_ms=123", "pump.kick_pct=62.50", "keys.allow_text=on", "--keep").done()
    assert "Saved" in out
    assert "pump.kick_pct = 62.5 %" in out
    airquill("restart").done()
    kept = airquill("show", "pump.kick_ms", "pump.kick_pct", "keys.allow_text", "--json").json
    assert kept == {"pump.kick_ms": 123, "pump.kick_pct": 62.5, "keys.allow_text": True}


def test_set_takes_strokes_in_their_language(sim: str, hands: Control) -> None:
    airquill("set", "keys.allow_text=on").done()
    airquill("set", "pedal2.tap_keys='zu 10', Enter", "--layout", "de").done()
    hands.press(2, ms=80)
    hands.sleep(2.0)
    # Decoded as a German PC decodes what USB carried.
    assert typed(hands.reports(), "de") == '"zu 10", Enter'
    airquill("set", "pedal2.tap_keys=none").done()
    assert airquill("show", "pedal2.tap_keys", "--json").json == {"pedal2.tap_keys": ""}


def test_a_value_given_twice_is_refused(sim: str) -> None:
    assert "twice" in airquill("set", "pump.kick_ms=1", "pump.kick_ms=2").sentences(2)


def test_keys_are_bound_and_saved(sim: str, hands: Control) -> None:
    assert "Saved" in airquill("keys", "bind", "second", "tap", "Page Down").done()
    airquill("keys", "bind", "2", "hold", "Left Shift + Tab").done()
    airquill("keys", "on", "released", "F13").done()
    airquill("restart").done()
    listed = {one["where"]: one["stroke"] for one in airquill("keys", "list", "--json").json}
    assert listed == {"pedal 2 tap": "Page Down", "pedal 2 hold": "Left Shift + Tab", "on released": "F13"}
    assert "Page Down" in airquill("keys", "list").done()
    hands.press(2, ms=80)
    hands.sleep(2.0)
    assert "Page Down" in typed(hands.reports())
    assert "nothing bound" in airquill("keys", "bind", "first", "tap", "none").done()


def test_keys_check_needs_no_unit() -> None:
    answer = airquill("keys", "check", "'z'", "--layout", "de", "--json").json
    assert (answer["stroke"], answer["types"], answer["consent"]) == ("Y", 'types "z"', [])
    assert any(finding["kind"] == "moves" for finding in answer["findings"])
    text = airquill("keys", "check", "Left Alt + F4").done()
    assert "closes the window" in text
    assert "consent" in text
    assert "There is no key" in airquill("keys", "check", "Dwon Arrow").sentences(2)
    assert "There is no layout" in airquill("keys", "check", "Tab", "--layout", "klingon").sentences(2)


def test_keys_layouts_and_names() -> None:
    assert "de" in airquill("keys", "layouts", "--json").json
    # USB HID Usage Tables 1.5, section 10: Down Arrow is 0x51.
    assert airquill("keys", "names", "down arrow", "--json").json == {"Down Arrow": 0x51}
    assert airquill("keys", "names", "no such").code == 1


def test_actions_move_the_unit(sim: str, hands: Control) -> None:
    airquill("do", "pick").done()
    hands.sleep(1.0)
    assert hands.outputs()["valve"] > 0
    airquill("do", "release").done()
    hands.sleep(1.0)
    assert hands.outputs()["valve"] == 0
    airquill("do", "preset", "3").done()
    assert airquill("show", "preset.active", "--json").json == {"preset.active": 3}
    airquill("do", "strike", "Left Shift + F14").done()
    hands.sleep(1.0)
    assert "Left Shift + F14" in typed(hands.reports())
    assert airquill("do", "zero", "--json").json["code"].isdigit()


def test_actions_are_listed() -> None:
    listed = airquill("do").done()
    assert all(action.name in listed for action in ACTIONS)


def test_a_unit_that_says_no(sim: str) -> None:
    airquill("do", "stop").done()
    assert "Clear it first" in airquill("do", "pick").sentences(1)
    airquill("do", "clear").done()
    airquill("do", "pick").done()


def test_the_log_tells_what_went_wrong(sim: str) -> None:
    airquill("do", "stop").done()
    lines = airquill("log", "--json").json
    assert [line["word"] for line in lines if line["word"] == "stopped_by_host"] == ["stopped_by_host"]
    assert lines[0]["word"] == "start"
    assert "A stop was asked for" in airquill("log").done()


def test_completion_offers_paths_words_and_names() -> None:
    assert ("pump.kick_ms=" in dict(complete_assignment("pump.k"))) is True
    assert [text for text, _ in complete_assignment("pedal1.vacuum=m")] == ["pedal1.vacuum=momentary"]
    assert [text for text, _ in complete_assignment("keys.allow_text=")] == [
        "keys.allow_text=on",
        "keys.allow_text=off",
    ]
    assert complete_assignment("no.such=") == []
    assert {"pump", "pump.kick_ms", "pump.duty_pct"} <= dict(complete_shown("pump")).keys()
    assert [name for name, _ in complete_action("pi")] == ["pick"]
    assert complete_layout("d") == ["de", "dvorak"]


def test_the_shell_gets_them() -> None:
    asked = {"_AIRQUILL_COMPLETE": "complete_bash", "COMP_WORDS": "airquill show pump.ki", "COMP_CWORD": "2"}
    # Typer takes the program's name from how it was called.
    code = "import sys; sys.argv[0] = 'airquill'; from airquill.cli.main import app; app(prog_name='airquill')"
    answer = subprocess.run(
        [sys.executable, "-c", code], env={**ENVIRONMENT, **asked}, capture_output=True, text=True, check=False
    )
    assert answer.stdout.split() == ["pump.kick_ms", "pump.kick_pct"], answer.stderr
