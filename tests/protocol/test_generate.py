"""An unsound registry is refused with a sentence, and a stale file is named."""

import copy
import sys
import tomllib
from pathlib import Path

import pytest

PROTOCOL = Path(__file__).parents[2] / "protocol"
sys.path.insert(0, str(PROTOCOL))
from generators import profile_model, protocol_page  # noqa: E402
from generators.model import Registry  # noqa: E402

GOOD = tomllib.loads((PROTOCOL / "registry.toml").read_text())


def changed(**edits: object) -> dict:
    raw = copy.deepcopy(GOOD)
    raw["settings"]["rows"][3].update(edits)
    return raw


@pytest.mark.parametrize(
    ("raw", "sentence"),
    [
        (changed(id=GOOD["settings"]["rows"][2]["id"]), "used twice"),
        (changed(type="float"), "unknown type float"),
        (changed(type="dec1", default=1.25), "more digits"),
        (changed(default=[1, 2]), "2 defaults for 1"),
    ],
)
def test_an_unsound_registry_is_refused(raw: dict, sentence: str) -> None:
    with pytest.raises(SystemExit, match=sentence):
        registry = Registry(raw)
        for row in registry.settings:
            registry.default_value(row, 0)


def test_a_retired_number_is_never_used_again() -> None:
    raw = copy.deepcopy(GOOD)
    raw["retired"]["settings"] = [raw["settings"]["rows"][0]["id"]]
    with pytest.raises(SystemExit, match="used twice"):
        Registry(raw)


def test_the_hash_follows_what_programs_see_and_not_the_help() -> None:
    assert Registry(changed(help="Other words.")).hash() == Registry(GOOD).hash()
    assert Registry(changed(max=1001)).hash() != Registry(GOOD).hash()


def test_the_page_keeps_what_a_person_wrote() -> None:
    first = protocol_page.text(Registry(GOOD), "mark", "# Title\n\nWritten by hand.\n")
    again = protocol_page.text(Registry(GOOD), "mark", first)
    assert again == first
    assert "Written by hand." in again


def test_the_profile_model_leaves_out_what_stays_with_the_unit() -> None:
    text = profile_model.text(Registry(GOOD), "mark")
    assert "serial" not in text
    assert "zero_code" not in text
