"""Values to and from the text of the line, and what a person typed."""

from collections.abc import Callable
from decimal import Decimal

import pytest

from airquill.errors import AirquillError
from airquill.link import catalogue
from airquill.link.convert import from_wire, parse_typed, plain, show, takes, to_wire
from airquill.link.entries import Setting
from airquill_protocol import settings as slots
from airquill_protocol.fault import ProtocolError


def entry(path: str) -> Setting:
    return next(one for one in catalogue.SETTINGS if one.path == path)


@pytest.mark.parametrize("one", catalogue.SETTINGS, ids=lambda one: one.path)
def test_defaults_go_both_ways_and_agree_with_the_units_own_text(one: Setting) -> None:
    text = to_wire(one, one.default)
    assert from_wire(one.type, text) == one.default
    slot = slots.find(one.path)
    assert slots.parse(slot, text) == slots.default_values()[slot]
    assert from_wire(one.type, slots.render(slot, slots.default_values()[slot])) == one.default


@pytest.mark.parametrize("one", [one for one in catalogue.SETTINGS if one.type in ("int", "dec1", "dec2")])
def test_host_and_unit_judge_the_same_numbers(one: Setting) -> None:
    """The host's check is for the sentence; the unit's is what counts. They must not disagree."""
    step = {"int": Decimal(1), "dec1": Decimal("0.1"), "dec2": Decimal("0.01")}[one.type]
    slot = slots.find(one.path)
    for number, good in (
        (one.lowest, True),
        (one.highest, True),
        (one.lowest - step, False),
        (one.highest + step, False),
        (one.lowest + step / 10, False),
    ):
        text = str(number)
        assert _accepts(parse_typed, one, one.path, text) is good, text
        assert _accepts(slots.parse, slot, text) is good, text


def _accepts(parse: Callable[..., object], *arguments: object) -> bool:
    try:
        parse(*arguments)
    except (AirquillError, ProtocolError):
        return False
    return True


@pytest.mark.parametrize(
    ("path", "text", "value"),
    [
        ("pump.kick_ms", "250", 250),
        ("pump.kick_pct", "62.5", Decimal("62.5")),
        ("pump.kick_pct", "062.50", Decimal("62.5")),
        ("pedal1.vacuum", "latching", "latching"),
        ("keys.allow_text", "on", True),
        ("unit.name", "Heather bench", "Heather bench"),
    ],
)
def test_what_a_person_types(path: str, text: str, value: object) -> None:
    typed = parse_typed(entry(path), path, text)
    assert typed == value
    slot = slots.find(path)
    assert from_wire(entry(path).type, slots.render(slot, slots.parse(slot, to_wire(entry(path), typed)))) == value


@pytest.mark.parametrize(
    ("path", "text", "sentence"),
    [
        ("pump.kick_ms", "fast", "pump.kick_ms takes whole numbers from 0 to 1000 ms, not 'fast'."),
        ("pump.kick_ms", "2.5", "pump.kick_ms takes whole numbers from 0 to 1000 ms, not 2.5."),
        ("pump.kick_ms", "1001", "pump.kick_ms takes whole numbers from 0 to 1000 ms, not 1001."),
        ("pump.kick_ms", "NaN", "pump.kick_ms takes whole numbers from 0 to 1000 ms, not NaN."),
        ("pedal1.vacuum", "on", "pedal1.vacuum takes one of none, momentary, inverted, latching, not 'on'."),
        ("keys.allow_text", "yes", "keys.allow_text takes on or off, not 'yes'."),
        ("preset1.name", "Großer Vorrat 22G", "preset1.name takes at most 16 bytes of text; this text has 18."),
    ],
)
def test_what_a_person_should_not_type(path: str, text: str, sentence: str) -> None:
    with pytest.raises(AirquillError) as error:
        parse_typed(entry(path), path, text)
    assert (error.value.sentence, error.value.exit_code) == (sentence, 2)


@pytest.mark.parametrize(("kind", "text"), [("int", "x"), ("dec1", "1.2.3"), ("text", "bare"), ("stroke", "0g")])
def test_nonsense_from_a_unit_is_said_so(kind: str, text: str) -> None:
    with pytest.raises(AirquillError, match="Is its firmware sound"):
        from_wire(kind, text)


def test_values_for_people() -> None:
    assert show(entry("pump.kick_ms"), 200) == "200 ms"
    assert show(entry("keys.allow_text"), True) == "on"
    assert show(entry("pump.kick_ms"), None) == "not there"
    assert (plain(None), plain(False), plain(b"\x11")) == ("-", "off", "11")
    assert takes(entry("unit.name")) == "at most 24 bytes of text"
