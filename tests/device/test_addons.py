"""Add-ons on a virtual unit: what they bring is used as the registry's own, and none takes the unit down."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from airquill.image.build import firmware_files
from airquill.image.layout import RPI_PICO
from airquill.image.littlefs import build_filesystem
from airquill.link.client import Client, Refused
from airquill.link.history import log_lines
from airquill.simulator.control import Control
from airquill.simulator.unit import Unit
from airquill_protocol import tables as t
from command_line import end, start_unit

EXAMPLE = Path(__file__).parents[2] / "device" / "addons" / "grip_lamp.py"
LAMP = "x.grip_lamp.lamp"
FULL = 65535


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Client]]:
    """Starts a virtual unit whose add-ons are the example and the named sources."""
    opened: list[Client] = []
    folder = tmp_path / "extensions"
    folder.mkdir()

    def run(**sources: str) -> Client:
        shutil.copy(EXAMPLE, folder)
        for name, text in sources.items():
            (folder / f"{name}.py").write_text(text)
        opened.append(Client.open(f"sim://?addons={folder}&needle=18"))
        return opened[-1]

    yield run
    for client in opened:
        client.close()


def unit_of(client: Client) -> Unit:
    unit: Unit = client.port.raw.unit
    return unit


def hands_of(client: Client) -> Control:
    return Control.of(unit_of(client))


def restart(client: Client) -> None:
    client.do("restart")
    client.wait_for_restart()


def noticed(client: Client) -> bool:
    return bool(unit_of(client).app.noticed(t.F_ADDON_FAILED))


def test_what_it_brings_is_described_listed_and_read(start: Callable[..., Client]) -> None:
    unit = start()
    assert unit.greeting.addons == 1
    assert unit.addons() == ["grip_lamp"]
    setting = unit.setting("x.grip_lamp.seeking_pct")
    assert setting is not None
    assert (setting.type, setting.lowest, setting.highest, setting.default, setting.unit) == ("int", 0, 100, 10, "%")
    assert setting.help.startswith("Brightness while vacuum is on")
    assert unit.all_settings()["x.grip_lamp.held_pct"] == 100
    assert unit.all_readings()["x.grip_lamp.runs"] is True
    assert unit.get("x.grip_lamp.lit_pct", "pump.idle_pct") == {"x.grip_lamp.lit_pct": 0, "pump.idle_pct": 40}
    assert [action.name for action in unit.actions()][-2:] == ["x.grip_lamp.show", "x.grip_lamp.reset"]


def test_the_lamp_follows_the_grip(start: Callable[..., Client]) -> None:
    unit = start()
    hands = hands_of(unit)
    unit.set({"x.grip_lamp.seeking_pct": 20, "cycle.settle_ms": 300})
    assert hands.outputs()[LAMP] == 0
    unit.do("pick")
    unit.port.sleep(0.1)
    assert hands.outputs()[LAMP] == FULL * 20 // 100
    unit.port.sleep(0.4)
    assert hands.outputs()[LAMP] == FULL
    assert unit.get("x.grip_lamp.grips") == {"x.grip_lamp.grips": 1}
    unit.do("release")
    unit.port.sleep(0.5)
    assert hands.outputs()[LAMP] == 0


def test_its_readings_stream_with_their_types(start: Callable[..., Client]) -> None:
    unit = start()
    unit.stream(50, "x.grip_lamp.lit_pct", "cycle.state")
    event = unit.wait_for("reading", 1)
    assert event and event.fields == {"x.grip_lamp.lit_pct": 0, "cycle.state": "idle"}


def test_its_actions_are_done_with_their_arguments_checked(start: Callable[..., Client]) -> None:
    unit = start()
    unit.do("x.grip_lamp.show", 20)
    unit.port.sleep(0.1)
    assert hands_of(unit).outputs()[LAMP] == FULL
    for asked, word in (
        (("x.grip_lamp.show", "0"), "out_of_range"),
        (("x.grip_lamp.show",), "missing_field"),
        (("x.grip_lamp.show", "1", "2"), "extra_field"),
        (("x.grip_lamp.dance",), "unknown_action"),
        (("x.nobody.dance",), "unknown_action"),
    ):
        with pytest.raises(Refused) as error:
            unit.request("do", *asked)
        assert error.value.word == word


@pytest.mark.parametrize(
    ("assignment", "word"),
    [
        ("x.grip_lamp.held_pct=101", "out_of_range"),
        ("x.grip_lamp.held_pct=much", "wrong_type"),
        ("x.grip_lamp.colour=1", "unknown_path"),
        ("x.grip_lamp.lit_pct=1", "read_only"),
    ],
)
def test_a_bad_setting_is_refused_and_changes_nothing(start: Callable[..., Client], assignment: str, word: str) -> None:
    unit = start()
    before = unit.all_settings()
    with pytest.raises(Refused) as error:
        unit.request("set", "pump.idle_pct=37", assignment)
    assert error.value.word == word
    assert unit.all_settings() == before


def test_settings_outlive_a_restart_only_when_saved(start: Callable[..., Client]) -> None:
    unit = start()
    unit.set({"x.grip_lamp.held_pct": 60}, keep=True)
    unit.set({"x.grip_lamp.held_pct": 70})
    assert unit.get("settings.unsaved") == {"settings.unsaved": True}
    restart(unit)
    assert unit.get("x.grip_lamp.held_pct") == {"x.grip_lamp.held_pct": 60}
    assert unit.get("settings.unsaved") == {"settings.unsaved": False}


def test_undo_and_factory_hold_for_them(start: Callable[..., Client]) -> None:
    unit = start()
    for value in (60, 70):
        unit.set({"x.grip_lamp.held_pct": value}, keep=True)
    unit.do("undo")
    assert unit.get("x.grip_lamp.held_pct") == {"x.grip_lamp.held_pct": 60}
    unit.do("factory")
    assert unit.get("x.grip_lamp.held_pct") == {"x.grip_lamp.held_pct": 100}


@pytest.mark.parametrize("write", range(1, 12))
def test_a_power_cut_during_the_save_leaves_all_old_or_all_new(start: Callable[..., Client], write: int) -> None:
    client = start()
    client.set({"x.grip_lamp.held_pct": 60, "pump.idle_pct": 36}, keep=True)
    unit = unit_of(client)
    client.set({"x.grip_lamp.held_pct": 70, "pump.idle_pct": 37})
    values = unit.app.values
    unit.flash.cut_in = write
    unit.app.store.save_values(0, values)
    unit.advance(100_000)
    unit.power_cut()
    unit.flash.cut_in = 0
    unit.power_up()
    unit.advance(400_000)
    after = unit.app.values
    assert (after[t.SLOTS], after[t.PUMP_IDLE_PCT]) in ((60, 360), (70, 370))


def test_a_fault_darkens_its_outputs_until_cleared(start: Callable[..., Client]) -> None:
    unit = start()
    unit.do("x.grip_lamp.show", 300)
    unit.port.sleep(0.1)
    unit.do("stop")
    assert hands_of(unit).outputs()[LAMP] == 0
    unit.port.sleep(0.3)
    assert hands_of(unit).outputs()[LAMP] == 0
    unit.do("clear")
    unit.port.sleep(0.1)
    assert hands_of(unit).outputs()[LAMP] == FULL


FAILING = {
    "syntax": "class AddOn(:\n",
    "nothing": "LAMP = 7\n",
    "import_error": "import nowhere_at_all\n",
    "init": "class AddOn:\n    def __init__(self, api):\n        raise OSError\n",
    "configure": "class AddOn:\n    def __init__(self, api): pass\n    def configure(self):\n        self.x[3]\n",
    "tick": "class AddOn:\n    def __init__(self, api): pass\n    def tick(self, now):\n        return 1 // 0\n",
    "leaves": "import sys\nclass AddOn:\n    def __init__(self, api): pass\n    def tick(self, now): sys.exit()\n",
    "struct": "class AddOn: pass\n",  # a module of the firmware has that name
    "no_such_reading": "class AddOn:\n    def __init__(self, api):\n        api.reading('cycle.stat')\n",
    "not_its_pin": "class AddOn:\n    def __init__(self, api):\n        api.drive(8, 65535)\n",
    "bad_default": 'class AddOn:\n    SETTINGS = (("a", "int", 0, 5, "", 6, "Help."),)\n',
    "bad_type": 'class AddOn:\n    SETTINGS = (("a", "float", 0, 5, "", 5, "Help."),)\n',
    "bad_name": 'class AddOn:\n    READINGS = (("Level Pct", "int", "", "Help."),)\n',
    "bad_row": 'class AddOn:\n    SETTINGS = (("a", "int"),)\n',
}


@pytest.mark.parametrize("what", FAILING)
def test_one_that_fails_is_switched_off_named_and_takes_nothing_with_it(
    start: Callable[..., Client], what: str
) -> None:
    name = "struct" if what == "struct" else "bad"
    unit = start(**{name: FAILING[what]})
    unit.port.sleep(0.1)
    assert noticed(unit)
    readings = unit.all_readings()
    assert (readings[f"x.{name}.runs"], readings["x.grip_lamp.runs"], readings["fault.active"]) == (False, True, 0)
    (entry,) = [line for line in log_lines(unit.log(), unit.addons()) if line.word == "add-on"]
    assert entry.sentence.startswith(f"x.{name} failed and was switched off: ")
    unit.do("pick")
    unit.port.sleep(0.1)
    assert hands_of(unit).outputs()["pump"] > 0
    assert hands_of(unit).outputs()[LAMP] > 0


def test_a_failing_action_or_reading_is_answered_and_switches_it_off(start: Callable[..., Client]) -> None:
    fails = (
        "class AddOn:\n"
        '    READINGS = (("depth_mm", "int", "mm", "Nobody sets it."),)\n'
        '    ACTIONS = (("dig", (), "Fails."),)\n'
        "    def __init__(self, api): pass\n"
        "    def dig(self):\n"
        "        raise KeyError\n"
    )
    unit = start(digs=fails, reads=fails)
    with pytest.raises(Refused) as error:
        unit.do("x.digs.dig")
    assert error.value.word == "internal"
    with pytest.raises(Refused) as error:
        unit.do("x.digs.dig")
    assert error.value.word == "not_there"
    assert unit.get("x.reads.depth_mm") == {"x.reads.depth_mm": None}
    assert unit.all_readings()["x.reads.runs"] is False


def test_a_slow_one_is_switched_off(start: Callable[..., Client]) -> None:
    unit = start(slow="class AddOn:\n    def __init__(self, api): pass\n    def tick(self, now): pass\n")
    slow: Any = unit_of(unit).app.addons
    slow._ticks[1] = lambda now: unit_of(unit).clock.spend(150_000)
    unit.port.sleep(0.3)
    assert unit.all_readings()["x.slow.runs"] is False


def test_one_that_hangs_the_loop_is_left_out_after_three_watchdog_restarts(start: Callable[..., Client]) -> None:
    unit = start()
    for _ in range(3):
        unit_of(unit).hang()
        unit_of(unit).advance(2_600_000)
    unit.greet_again()
    assert unit.greeting.cause == "watchdog"
    assert unit.greeting.addons == 0
    assert noticed(unit)
    assert not any(path.startswith("x.") for path in unit.all_settings())


def test_its_saved_settings_wait_while_it_fails(start: Callable[..., Client], tmp_path: Path) -> None:
    body = 'class AddOn:\n    SETTINGS = (("a", "int", 0, 9, "", 5, "Help."),)\n    def __init__(self, api):\n'
    unit = start(late=body + "        pass\n")
    unit.set({"x.late.a": 7}, keep=True)
    source = tmp_path / "extensions" / "late.py"
    source.write_text(body + "        raise ValueError('not now')\n")
    restart(unit)
    assert unit.all_readings()["x.late.runs"] is False
    unit.set({"pump.idle_pct": 36}, keep=True)
    source.write_text(body + "        pass  # mended\n")
    restart(unit)
    assert unit.get("x.late.a") == {"x.late.a": 7}


def test_every_type_of_setting(start: Callable[..., Client]) -> None:
    source = (
        "class AddOn:\n"
        "    SETTINGS = (\n"
        '        ("share_pct", "dec1", 0, 1000, "%", 405, "Tenths."),\n'
        '        ("gap_kpa", "dec2", -100, 100, "kPa", -25, "Hundredths."),\n'
        '        ("colour", "word red green blue", 0, 0, "", 1, "One of them."),\n'
        '        ("inverted", "flag", 0, 1, "", 0, "Yes or no."),\n'
        '        ("label", "text", 0, 12, "", b"Heather", "Text."),\n'
        "    )\n"
        "    READINGS = (\n"
        '        ("seen", "word red green blue", "", "Colour in use."),\n'
        '        ("said", "text", "", "Label in use."),\n'
        "    )\n"
        "    def __init__(self, api):\n"
        "        self.api = api\n"
        "    def configure(self):\n"
        '        self.seen = self.api.setting("colour")\n'
        '        self.said = self.api.setting("label")\n'
    )
    unit = start(typed=source)
    names = ("share_pct", "gap_kpa", "colour", "inverted", "label")
    paths = [f"x.typed.{name}" for name in names]
    assert [str(unit.get(path)[path]) for path in paths] == ["40.5", "-0.25", "green", "False", "Heather"]
    unit.set({"x.typed.colour": "blue", "x.typed.label": 'a "b" \u00e9', "x.typed.inverted": True}, keep=True)
    restart(unit)
    assert unit.get(*paths[2:]) == {
        "x.typed.colour": "blue",
        "x.typed.inverted": True,
        "x.typed.label": 'a "b" \u00e9',
    }
    assert unit.get("x.typed.seen", "x.typed.said") == {"x.typed.seen": "blue", "x.typed.said": 'a "b" \u00e9'}


def test_on_micropython_from_an_image(tmp_path: Path) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text(FAILING["tick"])
    folder = tmp_path / "unit"
    folder.mkdir()
    (folder / "flash.bin").write_bytes(build_filesystem(firmware_files(addons=[EXAMPLE, bad]), RPI_PICO))
    running = start_unit(folder)
    try:
        with Client.open(running.port) as unit:
            assert unit.addons() == ["bad", "grip_lamp"]
            unit.set({"x.grip_lamp.held_pct": 60}, keep=True)
            unit.do("pick")
            end_s = unit.port.now() + 3
            while unit.get("x.grip_lamp.lit_pct") != {"x.grip_lamp.lit_pct": 60}:
                assert unit.port.now() < end_s
                unit.port.sleep(0.05)
            assert unit.all_readings()["x.bad.runs"] is False
            sentences = [line.sentence for line in log_lines(unit.log(), unit.addons())]
            assert "x.bad failed and was switched off: an exception of another kind." in sentences
            unit.do("release")
            while unit.get("cycle.state") != {"cycle.state": "idle"}:
                assert unit.port.now() < end_s
                unit.port.sleep(0.05)
            restart(unit)
            assert unit.get("x.grip_lamp.held_pct") == {"x.grip_lamp.held_pct": 60}
    finally:
        end(running)


def test_without_add_ons_their_code_is_not_there() -> None:
    unit = Unit(seed=1)
    assert unit.app.addons is None
    assert len(unit.app.values) == t.SLOTS
    unit.power_cut()
