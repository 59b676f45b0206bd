"""A letter out of a unit: all that helps the maker, nothing that tells who its owner is or what they type."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from airquill.errors import AirquillError
from airquill.keys import decode
from airquill.keys.risk import SYSTEM_MODIFIERS
from airquill.letter.model import Letter, LetterCheckup, LogPart, StrokePart, UnitPart, without_keys
from airquill.link.client import Client
from airquill.link.convert import Value, plain, to_wire
from airquill.link.entries import Setting
from airquill.tuning.baseline import SETTING as BASELINE
from airquill.tuning.baseline import Baseline
from airquill.tuning.checkup import Checkup

SERIAL = "unit.serial"
# Usages of the keyboard page that put no character on a screen: Enter to Space, Caps Lock to Up Arrow, Application, F13
# to F24 (HID Usage Tables 1.5, table 12.1).
_SILENT = {*range(0x28, 0x2D), *range(0x39, 0x54), 0x65, *range(0x68, 0x74)}
_MOST_LOG = 1000


def collect(
    unit: Client, checkup: Checkup | None, host: Mapping[str, str], answers: Mapping[str, str] | None = None
) -> Letter:
    """Read a unit and make its letter. `host` is what ran here, by name and version; `answers` are a person's, by the
    name of the question."""
    said = unit.greeting
    entries, values = unit.settings(), unit.all_settings()
    told, strokes, left_out = tell_settings(entries, values)
    return Letter(
        made=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        unit=UnitPart(
            chip=word_of(said.chip),
            serial=word_of(values.get(SERIAL)),
            wiring=word_of(said.board),
            firmware=word_of(said.firmware),
            build=word_of(said.build),
            registry=said.registry,
            registry_hash=word_of(said.registry_hash),
            boots=said.boots,
            cause=word_of(said.cause),
            capabilities=[word_of(name) for name in said.capabilities],
            addons=[word_of(name) for name in unit.addons()],
        ),
        settings=told,
        strokes=strokes,
        left_out=left_out,
        readings=_readings(unit),
        log=[LogPart(**{name: entry[name] for name in LogPart.model_fields}) for entry in unit.log()[-_MOST_LOG:]],
        checkup=None if checkup is None else tell_checkup(checkup),
        answers=dict(answers or {}),
        host=dict(host),
    )


def _readings(unit: Client) -> dict[str, str]:
    """All readings but texts, which an add-on may have."""
    texts = {entry.path for entry in unit.readings() if entry.type == "text"}
    return {path: plain(value) for path, value in unit.all_readings().items() if path not in texts}


def tell_settings(
    entries: Sequence[Setting], values: Mapping[str, Value]
) -> tuple[dict[str, str], dict[str, StrokePart], list[str]]:
    """Settings that are told, strokes of which only the size is, and paths of texts that are left out.

    Of texts only the serial is told, by which the maker finds the unit's record, and figures of acceptance in the form
    that `accept` writes. A stroke is told when none of its keys puts a character on a screen.
    """
    told: dict[str, str] = {}
    strokes: dict[str, StrokePart] = {}
    left_out: list[str] = []
    for entry in entries:
        value = values.get(entry.path)
        if isinstance(value, bytes):
            part = tell_stroke(value)
            if part is None:
                told[entry.path] = to_wire(entry, value)
            else:
                strokes[entry.path] = part
        elif entry.type == "text":
            text = str(value)
            if entry.path == SERIAL or (entry.path == BASELINE and Baseline.of_text(text) is not None):
                told[entry.path] = text
            elif text:
                left_out.append(entry.path)
        elif value is not None:
            told[entry.path] = to_wire(entry, value)
    return told, strokes, left_out


def tell_stroke(program: bytes) -> StrokePart | None:
    """What is told of a stroke in its place; None where all of it can be."""
    try:
        chords = decode(program).chords
    except AirquillError:
        return StrokePart(bytes=len(program), chords=0, keys=0, system=False)
    keys = [usage for chord in chords for usage in chord.usages]
    if all(usage in _SILENT for usage in keys):
        return None
    system = any(chord.modifiers & SYSTEM_MODIFIERS for chord in chords)
    return StrokePart(bytes=len(program), chords=len(chords), keys=len(keys), system=system)


def tell_checkup(checkup: Checkup) -> LetterCheckup:
    """A checkup without what was typed meanwhile, and without remarks that could name a place on this computer."""
    traces = {name: without_keys(checkup.trace(name)).as_json() for name in checkup.traces}
    notes = [note for note in checkup.notes if not set(note) & set("/\\@")]
    return LetterCheckup(**{**checkup.model_dump(), "traces": traces, "notes": notes})


def word_of(value: object) -> str:
    """A name as a letter takes it: other signs than letters, digits and a few become a hyphen."""
    return "".join(sign if sign.isalnum() or sign in "_.,:+ -" else "-" for sign in str(value or ""))[:40]
