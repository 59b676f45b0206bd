"""The packed tables against the registry that they were generated from, read here in another way."""

import subprocess
import sys
import tomllib
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill_protocol import settings
from airquill_protocol import tables as t
from airquill_protocol import values as v

ROOT = Path(__file__).parents[2]
REGISTRY = tomllib.loads((ROOT / "protocol" / "registry.toml").read_text())


def spelt_out(part: str) -> list[tuple[str, dict, int]]:
    out = []
    for row in REGISTRY[part]["rows"]:
        group = row["path"].partition(".")[0]
        count = REGISTRY["repeat"][group[:-1]] if "#" in group else 1
        out += [(row["path"].replace("#", str(n + 1)), row, n) for n in range(count)]
    return out


@pytest.mark.parametrize(("path", "row", "instance"), spelt_out("settings"))
def test_every_setting_is_in_the_tables(path: str, row: dict, instance: int) -> None:
    slot = settings.find(path)
    assert slot >= 0
    assert settings.path(slot) == path
    assert (settings.row_id(slot), settings.instance(slot)) == (row["id"], instance)
    assert settings.slot_of(row["id"], instance) == slot
    assert settings.unit(slot) == row.get("unit", "")
    assert settings.live(slot) == row.get("live", False)
    assert settings.stays(slot) == (row.get("keep") == "unit")
    default = row["default"][instance] if isinstance(row["default"], list) else row["default"]
    rendered = settings.render(slot, settings.default_values()[slot])
    match row["type"]:
        case "int" | "dec1" | "dec2":
            assert Decimal(rendered) == Decimal(str(default))
            scale = 10 ** {"int": 0, "dec1": 1, "dec2": 2}[row["type"]]
            assert settings.limits(slot) == (row["min"] * scale, row["max"] * scale)
        case "word":
            assert rendered == default
        case "flag":
            assert rendered == ("on" if default else "off")
        case "text":
            assert v.unquote(rendered) == default.encode()
        case "stroke":
            assert v.parse_stroke(rendered) == bytes.fromhex(default)


def test_slots_are_all_different_and_complete() -> None:
    paths = [path for path, _, _ in spelt_out("settings")]
    assert sorted(settings.find(path) for path in paths) == list(range(t.SLOTS))
    readings = [path for path, _, _ in spelt_out("readings")]
    assert sorted(settings.find_reading(path) for path in readings) == list(range(t.READINGS))


def test_default_settings_break_no_rule() -> None:
    settings.check_rules(settings.default_values())


@given(st.binary(max_size=24))
def test_any_text_comes_back_from_the_wire(value: bytes) -> None:
    text = v.quote(value)
    assert text.isascii() and text.isprintable()
    assert v.unquote(text) == value


@given(st.integers(-(10**8), 10**8), st.sampled_from([0, 1, 2]))
def test_any_number_comes_back_from_the_wire(value: int, digits: int) -> None:
    text = v.format_number(value, digits)
    assert Decimal(text) == Decimal(value).scaleb(-digits)
    if abs(value) < 10 ** (7 + digits):
        assert v.parse_number(text, digits) == value


def test_generated_files_are_fresh() -> None:
    result = subprocess.run(
        [sys.executable, ROOT / "protocol" / "generate.py", "--check"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert result.returncode == 0, result.stdout
