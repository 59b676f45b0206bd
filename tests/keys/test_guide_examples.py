"""The strokes that docs/keys.md recommends are real: they parse, fit the settings they name, and need no surprises."""

import re
from pathlib import Path

import pytest

from airquill.keys import LAYOUT_NAMES, check, encode, needed_settings, typed
from airquill.link.client import Client
from airquill_protocol import settings
from command_line import airquill
from keys.unit_keyboard import play

PAGE = (Path(__file__).parents[2] / "docs" / "keys.md").read_text(encoding="utf-8")
GUIDES = re.findall(r"^\| ([^|]+) \| `([a-z0-9_.]+)` \| `([^`]+)` \|$", PAGE, re.MULTILINE)
WRITTEN = re.findall(r"^\| `([^`]+)` \| [^|]+ \|$", PAGE, re.MULTILINE)


def test_the_page_has_its_tables():
    assert len(GUIDES) == 10
    assert len(WRITTEN) == 8


@pytest.mark.parametrize("stroke", WRITTEN)
def test_every_form_in_the_language_table_is_a_stroke(stroke):
    assert encode(stroke, "de")


@pytest.mark.parametrize(("guide", "path", "stroke"), GUIDES)
def test_a_guide_example_works_on_every_layout(guide, path, stroke):
    assert settings.find(path) >= 0, guide
    for host in LAYOUT_NAMES:
        program = encode(stroke, host)
        assert needed_settings(program) == []
        assert typed(play(program), host) == stroke
        assert {finding.kind for finding in check(program, host)} <= {"moves"}


PROFILES = re.findall(r"^```toml\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)


def test_two_programs_are_two_profiles(tmp_path, monkeypatch):
    """Each applied over the other changes the strokes and nothing else, and asks for no consent."""
    monkeypatch.setenv("AIRQUILL_PORT", "sim://two-programs")
    running = {}
    for number, text in enumerate((PROFILES[0], PROFILES[1], PROFILES[0])):
        file = tmp_path / f"{number}.toml"
        file.write_text(text)
        airquill("profile", "apply", file, "--yes").done()
        with Client.open("sim://two-programs") as unit:
            running[number] = unit.all_settings()
    changed = {path for path in running[0] if running[0][path] != running[1][path]}
    assert changed == {"pedal2.tap_keys", "pedal2.double_keys"}
    assert running[2] == running[0]
    assert running[1]["pedal2.tap_keys"] == encode("Page Down")
