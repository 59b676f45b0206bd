"""The page about add-ons shows what happens, and its table of the example's pin is a wiring that is sound."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest

import airquill.simulator as airquill_simulator
from airquill_device import wiring
from command_line import ROOT, airquill

PAGE = (ROOT / "docs" / "addons.md").read_text()


def test_the_session_is_what_the_commands_say(monkeypatch: pytest.MonkeyPatch) -> None:
    airquill_simulator.reset()
    monkeypatch.setenv("AIRQUILL_PORT", f"sim://page?addons={ROOT / 'device' / 'addons'}")
    (session,) = re.findall(r"^```console\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    for part in session.split("$ airquill ")[1:]:
        command, _, said = part.partition("\n")
        assert airquill(*shlex.split(command)).done() == said
    airquill_simulator.reset()


def test_the_wiring_it_shows_fits_the_reference_design() -> None:
    (line,) = re.findall(r'^    ("addons": .*)$', PAGE, re.MULTILINE)
    plan = json.loads((ROOT / "device" / "wiring" / "reference.json").read_text())
    assert wiring.check(plan | json.loads("{" + line + "}")) is None


def test_the_example_s_own_head_shows_the_same_pin() -> None:
    source = Path(ROOT / "device" / "addons" / "grip_lamp.py").read_text()
    (line,) = re.findall(r'^    ("addons": .*)$', source, re.MULTILINE)
    assert line in PAGE
