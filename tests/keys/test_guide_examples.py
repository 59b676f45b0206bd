"""The strokes that docs/keys.md recommends are real: they parse, fit the settings they name, and need no surprises."""

import re
from pathlib import Path

import pytest

from airquill.keys import LAYOUT_NAMES, check, encode, needed_settings, typed
from airquill_protocol import settings
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
