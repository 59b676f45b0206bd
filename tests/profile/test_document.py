"""Profile files without a unit: what is read, what is refused and with which sentence."""

from __future__ import annotations

import json
import tomllib
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.errors import AirquillError
from airquill.link.catalogue import REGISTRY, SETTINGS
from airquill.link.convert import Value
from airquill.link.entries import Setting
from airquill.profile import document
from airquill.profile.document import read, travelling
from airquill.profile.rewrite import export

HEAD = "[profile]\nregistry = 1\n"
FACTORY: dict[str, Value] = {entry.path: entry.default for entry in SETTINGS}


def problem(text: str) -> str:
    with pytest.raises(AirquillError) as error:
        read(text, "heather.toml")
    assert error.value.exit_code == 2
    return error.value.sentence


def test_what_a_file_says() -> None:
    profile = read(
        """
        [profile]
        registry = 1
        layout = "de"
        title = "Heather boards"

        [pump]
        kick_pct = 62.5
        idle_pct = 40

        [pedal2]
        tap_keys = "'z'"
        vacuum = "latching"

        [keys]
        allow_text = true
        """,
        "heather.toml",
    )
    assert (profile.registry, profile.layout, profile.title, profile.warnings) == (1, "de", "Heather boards", ())
    assert profile.values == {
        "pump.kick_pct": Decimal("62.5"),
        "pump.idle_pct": Decimal(40),
        # On a German keyboard z is where a US one has y: usage 0x1C.
        "pedal2.tap_keys": bytes([0x11, 0, 0x1C]),
        "pedal2.vacuum": "latching",
        "keys.allow_text": True,
    }


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "heather.toml does not say which registry it is for. Add [profile] with registry = 1."),
        ("[profile]\nregistry = 'one'", "profile.registry is a whole number"),
        ("[profile]\nregistry = true", "profile.registry is a whole number"),
        (f"[profile]\nregistry = {REGISTRY + 1}\n[future]\nx = 1", f"is for registry {REGISTRY + 1}"),
        (HEAD + "titel = 'x'", "there is no profile.titel. Did you mean title?"),
        (HEAD + "title = 3", "profile.title is text in quotes, not 3."),
        (HEAD + "layout = 'klingon'", "There is no layout 'klingon'."),
        (HEAD + "[pump]\nkik_ms = 3", "there is no setting pump.kik_ms. Did you mean pump.kick_ms"),
        (HEAD + "[pum]\nkick_ms = 3", "there is no table pum. Did you mean pump?"),
        (HEAD + "[pump]\nkick_ms = 3000", "pump.kick_ms takes whole numbers from 0 to 1000 ms, not 3000."),
        (HEAD + "[pump]\nkick_ms = 3.5", "pump.kick_ms takes whole numbers from 0 to 1000 ms, not 3.5."),
        (HEAD + "[pump]\nkick_ms = true", "pump.kick_ms takes whole numbers from 0 to 1000 ms, not true."),
        (HEAD + "[pump]\nkick_ms = '3'", 'pump.kick_ms takes whole numbers from 0 to 1000 ms, not "3".'),
        (
            HEAD + "[pump]\nkick_pct = 62.55",
            "pump.kick_pct takes numbers with one decimal from 40.0 to 100.0 %, not 62.55.",
        ),
        (HEAD + "[pump]\nkick_pct = nan", "pump.kick_pct takes numbers with one decimal"),
        (HEAD + "[pump]\nkick_pct = '62.5'", "pump.kick_pct takes numbers with one decimal"),
        (HEAD + "[keys]\nallow_text = 1", "keys.allow_text takes on or off, not 1."),
        (HEAD + "[pedal1]\nvacuum = 'on'", "pedal1.vacuum takes one of none, momentary, inverted, latching"),
        (HEAD + "[pedal3]\nvacuum = 'none'", "there is no table pedal3. Did you mean pedal2 or pedal1?"),
        (
            HEAD + "[preset1]\nname = 'Großer Vorrat 2ä'",
            "preset1.name takes at most 16 bytes of text; this text has 18.",
        ),
        (HEAD + "[preset1]\nopen_kpa = 1", "preset1.open_kpa stays with its unit"),
        (HEAD + "[sensor]\nzero_code = 1", "sensor.zero_code stays with its unit"),
        (HEAD + "[pedal2]\ntap_keys = 'Dwon Arrow'", "pedal2.tap_keys: There is no key 'Dwon Arrow'. Did you mean"),
        ("pump = 3\n" + HEAD, "pump is a table, not 3."),
        (HEAD + "[grip]\nlost_pct = 60\nfound_pct = 50", "grip.lost_pct=60"),
        (HEAD + "[pump\nkick_ms = 3", "heather.toml is no TOML"),
        (HEAD + "[pump]\nkick_ms = 3\nkick_ms = 4", "heather.toml is no TOML"),
    ],
)
def test_what_is_refused(text: str, sentence: str) -> None:
    assert sentence in problem(text)


def test_all_that_is_wrong_is_said_at_once() -> None:
    said = problem(HEAD + "[pump]\nkik_ms = 3\nramp_ms = 9999\n[pedal1]\ntap_keys = 'x'\n").splitlines()
    assert len(said) == 2  # strokes are read when the rest is sound
    assert all(line.startswith("heather.toml: ") for line in said)


def test_a_contradiction_with_a_factory_setting_is_a_warning_only() -> None:
    (warning,) = read(HEAD + "[grip]\nlost_pct = 60", "heather.toml").warnings
    assert "grip.found_pct" in warning
    assert "factory" in warning


def test_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(AirquillError, match="cannot be read: No such file"):
        document.load(tmp_path / "none.toml")
    with pytest.raises(AirquillError, match="cannot be read: Is a directory"):
        document.load(tmp_path)
    (tmp_path / "image.uf2").write_bytes(b"UF2\n\xff\xfe")
    with pytest.raises(AirquillError, match="no text in UTF-8"):
        document.load(tmp_path / "image.uf2")


def text_of(entry: Setting) -> st.SearchStrategy[Value]:
    """Values that a unit can have."""
    if entry.type == "word":
        return st.sampled_from(entry.words)
    if entry.type == "flag":
        return st.booleans()
    if entry.type == "text":
        return st.text(max_size=int(entry.highest)).filter(
            lambda text: len(text.encode(errors="ignore")) <= entry.highest
        )
    if entry.type == "stroke":
        chord = st.builds(
            lambda modifiers, usages: bytes([0x10 + len(usages), modifiers, *usages]),
            st.integers(0, 255),
            st.lists(st.integers(0x04, 0x65), min_size=1, max_size=6, unique=True),
        )
        return st.lists(chord, max_size=4).map(b"".join)
    places = {"int": 0, "dec1": 1, "dec2": 2}[entry.type]
    if places == 0:
        return st.integers(int(entry.lowest), int(entry.highest))
    return st.decimals(entry.lowest, entry.highest, places=places)


@given(st.data())
def test_what_is_exported_reads_back_as_it_was(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    chosen = data.draw(st.lists(st.sampled_from(travelling(SETTINGS)), max_size=12, unique_by=lambda entry: entry.path))
    values = FACTORY | {entry.path: data.draw(text_of(entry)) for entry in chosen}
    path = tmp_path_factory.mktemp("export") / "heather.toml"
    export(path, SETTINGS, values, "de", None)
    tomllib.loads(path.read_text())
    expected = {entry.path: values[entry.path] for entry in travelling(SETTINGS)}
    try:
        assert document.load(path).values == expected
    except AirquillError as error:
        # Drawn one by one, values may contradict each other; a unit's never do.
        assert "contradict" in error.sentence or "must" in error.sentence
    # Into the same file again: not a byte moves.
    before = path.read_bytes()
    if "[grip]" in path.read_text():
        try:
            export(path, SETTINGS, values, None, None)
        except AirquillError:
            return
        assert path.read_bytes() == before


PERSONAL = """# Heather boards, twenty at a time
[profile]
registry = 1
layout = "de"  # the bench PC

[pedal2]   # the right foot
tap_keys = "'z'"  # next step of the guide
hold_keys = "tab  TIMES 3"

[pump]
kick_pct = 100.0
kick_ms = 150  # our pump is quick
"""


def test_a_rewrite_keeps_what_a_person_wrote(tmp_path: Path) -> None:
    path = tmp_path / "heather.toml"
    path.write_text(PERSONAL)
    path.chmod(0o640)
    values = FACTORY | read(PERSONAL, "x").values | {"pump.kick_ms": 175}
    export(path, SETTINGS, values, None, "Heather")
    text = path.read_text()
    for kept in (
        "# Heather boards, twenty at a time",
        'layout = "de"  # the bench PC',
        "[pedal2]   # the right foot",
        """tap_keys = "'z'"  # next step of the guide""",
        'hold_keys = "tab  TIMES 3"',
        "kick_pct = 100.0",
        "kick_ms = 175  # our pump is quick",
        'title = "Heather"',
    ):
        assert kept in text, text
    assert text.index("[pedal2]") < text.index("[pump]") < text.index("[valve]")
    assert path.stat().st_mode & 0o777 == 0o640
    again = document.load(path)
    assert again.values == {entry.path: values[entry.path] for entry in travelling(SETTINGS)}
    assert list(tmp_path.iterdir()) == [path]


def test_another_layout_rewrites_text_so_that_it_means_the_same(tmp_path: Path) -> None:
    path = tmp_path / "heather.toml"
    path.write_text(PERSONAL)
    values = FACTORY | read(PERSONAL, "x").values
    export(path, SETTINGS, values, "us", None)
    assert document.load(path).values["pedal2.tap_keys"] == values["pedal2.tap_keys"]
    assert 'tap_keys = "Y"  # next step' in path.read_text()


def test_a_new_file_explains_each_setting(tmp_path: Path) -> None:
    path = tmp_path / "heather.toml"
    assert export(path, SETTINGS, FACTORY, None, None) == len(travelling(SETTINGS))
    lines = path.read_text().splitlines()
    for entry in travelling(SETTINGS):
        key = entry.path.partition(".")[2]
        assert any(
            line.startswith(f"{key} = ") and above.startswith(f"# {entry.help}") for above, line in pairwise(lines)
        ), entry.path
    assert "open_kpa" not in path.read_text()


def test_a_file_that_is_no_profile_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "pyproject.toml"
    path.write_text("[project]\nname = 'mine'\n")
    with pytest.raises(AirquillError, match="does not say which registry"):
        export(path, SETTINGS, FACTORY, None, None)
    assert path.read_text() == "[project]\nname = 'mine'\n"


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(AirquillError, match="cannot be written"):
        export(tmp_path / "no" / "such" / "heather.toml", SETTINGS, FACTORY, None, None)


def test_the_schema_for_editors_agrees(tmp_path: Path) -> None:
    """What an editor that follows the JSON Schema would offer is what a file may hold."""
    schema = json.loads((Path(document.__file__).parent / "profile.schema.json").read_text())
    offered = {
        f"{group}.{key}"
        for group, table in schema["properties"].items()
        if group != "profile"
        for key in table.get("properties") or schema["$defs"][table["$ref"].rpartition("/")[2]]["properties"]
    }
    assert offered == {entry.path for entry in travelling(SETTINGS)}
    assert set(schema["properties"]["profile"]["properties"]) == set(document._ABOUT_KEYS)
