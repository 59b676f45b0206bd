"""A letter read: what differs from the unit as accepted, what does not fit together, and the reply that is drafted."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from decimal import Decimal
from functools import cache
from typing import Any

import pytest

from airquill.keys import encode
from airquill.letter.collect import collect
from airquill.letter.compare import Accepted, compared
from airquill.letter.model import Letter
from airquill.letter.reply import COLUMNS, drafted, judged, likelihood
from airquill.link.client import Client
from airquill.link.convert import Value
from airquill.report.letter import letter_page
from airquill.tuning.baseline import Baseline
from airquill.tuning.causes import BY_NAME
from airquill.tuning.model import Model, model_for

from .conftest import HOST, checkup_of

ACCEPTED = Accepted(
    "the record of its acceptance of 2026-11-01",
    serial="HEATHER-07",
    chip="51a1ab1e00000007",
    firmware="0.1.0",
    build="source",
    needle_gauge=22,
    figures={"sealed_kpa": 65.0, "open_kpa": 49.9, "decay_kpa_s": 0.25, "vent_ms": 34.4, "let_go_ms": 60.0},
    limits={"sealed_kpa": (50.0, None), "vent_ms": (None, 80.0), "open_kpa": (38.4, 57.6)},
    others=[{"sealed_kpa": 64.0}, {"sealed_kpa": 66.0}, {"sealed_kpa": 65.5}],
)


@cache
def model() -> Model:
    return model_for(22)


def answered(letter: Letter, accepted: Accepted | None = ACCEPTED, shipped: dict[str, Value] | None = None) -> str:
    found = compared(letter, accepted, shipped)
    return drafted(letter, accepted, found, judged(letter, accepted, model())).text()


def changed(letter: Letter, **parts: Any) -> Letter:
    return letter.model_copy(update=parts)


def test_a_sound_unit(unit: Client) -> None:
    letter = collect(unit, checkup_of(unit), HOST)
    found = compared(letter, ACCEPTED, None)
    assert found.doubts == []
    assert found.versions == []
    assert not any(row.is_outside for row in found.figures)
    text = answered(letter)
    assert "The test finds nothing wrong." in text
    assert "Nothing needs to be done to the unit." in text
    assert "when accepted" not in text


FAULTS = [("filter_clog", 0.62, "filter_clog"), ("pump_wear", 0.4, "pump_weak"), ("valve_slow", 0.4, "valve_slow")]


@pytest.mark.parametrize(("fault", "strength", "cause"), FAULTS)
def test_a_fault_is_named_with_what_to_do_and_what_can_hurt(
    unit: Client, fault: str, strength: float, cause: str
) -> None:
    letter = collect(unit, checkup_of(unit, fault, strength), HOST)
    text = " ".join(answered(letter).split())
    assert BY_NAME[cause].title in text
    assert BY_NAME[cause].do in text
    assert BY_NAME[cause].caution in text
    assert "when accepted" in text
    assert "never an emergency stop" in text
    assert text.index("What we see") < text.index("What to do next") < text.index("Please mind")


def test_without_a_record_the_units_own_figures_count(unit: Client) -> None:
    unit.set({"unit.baseline": Baseline("2026-11-01", 22, dict(ACCEPTED.figures)).text()})
    letter = collect(unit, checkup_of(unit, "filter_clog", 0.62), HOST)
    accepted = Accepted.of_letter(letter)
    assert accepted is not None
    text = answered(letter, accepted)
    assert "figures that the unit" in " ".join(text.split())
    assert "when accepted 34 ms" in text
    assert compared(letter, accepted, None).doubts == []


def test_with_nothing_to_compare_it_says_so(unit: Client) -> None:
    letter = collect(unit, None, HOST)
    assert Accepted.of_letter(letter) is None
    found = compared(letter, None, None)
    assert "nothing to compare with" in found.doubts[0]
    text = answered(letter, None)
    assert "It holds no test" in text
    assert "without --no-test" in " ".join(text.split())


def test_without_a_sensor_the_reply_asks_for_trials() -> None:
    with Client.open("sim://?sensor=off&seed=3") as unit:
        letter = collect(unit, checkup_of(unit), HOST)
    assert letter.checkup is not None
    assert not letter.checkup.traces
    assert letter.checkup.figures["supply_v"] == pytest.approx(12.0, abs=0.05)
    text = " ".join(answered(letter, None).split())
    assert "no vacuum sensor" in text
    assert "airquill diagnose" in text


def test_answers_of_a_person_count_where_there_is_no_sensor() -> None:
    with Client.open("sim://?sensor=off&seed=3") as unit:
        said = {"listen": "usual", "finger": "hard", "filter": "better", "release": "late"}
        letter = collect(unit, checkup_of(unit), HOST, said)
    text = " ".join(answered(letter, None).split())
    assert "You said to “Vacuum is on. Listen to the pump.”: it runs as always." in text
    assert "filter clogged" in text


def test_the_same_serial_on_another_board_and_another_serial_on_the_same(unit: Client) -> None:
    letter = collect(unit, checkup_of(unit), HOST)
    other = changed(letter, unit=letter.unit.model_copy(update={"chip": "51a1ab1e000000ff"}))
    doubts = " ".join(compared(other, ACCEPTED, None).doubts)
    assert "another unit's serial" in doubts
    assert "The test was made with chip 51a1ab1e00000007" in doubts
    renamed = changed(letter, unit=letter.unit.model_copy(update={"serial": "HEATHER-99"}))
    assert compared(renamed, ACCEPTED, None).doubts == ["The letter says serial HEATHER-99; this chip was HEATHER-07."]
    assert "HEATHER-99" in answered(renamed)
    assert "this chip was" not in answered(renamed), "doubts are the maker's, not the buyer's"


def test_figures_that_do_not_follow_from_the_curves_are_found_out(unit: Client) -> None:
    letter = collect(unit, checkup_of(unit, "filter_clog", 0.62), HOST)
    assert letter.checkup is not None
    better = letter.checkup.model_copy(
        update={"figures": {**letter.checkup.figures, "vent_ms": 34.0, "let_go_ms": 60.0}}
    )
    forged = changed(letter, checkup=better)
    found = compared(forged, ACCEPTED, None)
    assert any("do not follow from its curves" in doubt for doubt in found.doubts)
    vent = next(row for row in found.figures if row.name == "vent_ms")
    assert vent.now is not None
    assert vent.now > 60
    assert "filter clogged" in answered(forged)


def test_a_baseline_that_is_not_the_records_is_found_out(unit: Client) -> None:
    unit.set({"unit.baseline": Baseline("2026-11-01", 22, {"sealed_kpa": 40.0}).text()})
    accepted = Accepted(**{**vars(ACCEPTED), "baseline": Baseline("2026-11-01", 22, {"sealed_kpa": 65.0}).text()})
    doubts = compared(collect(unit, None, HOST), accepted, None).doubts
    assert doubts == ["The figures of acceptance that the unit keeps are not those of its record."]


def test_another_needle_than_at_acceptance(unit: Client) -> None:
    accepted = Accepted(**{**vars(ACCEPTED), "needle_gauge": 25})
    letter = collect(unit, checkup_of(unit), HOST)
    assert any("22G needle, acceptance with 25G" in doubt for doubt in compared(letter, accepted, None).doubts)


def test_settings_against_the_profile_as_shipped(unit: Client) -> None:
    unit.set({"pump.idle_pct": Decimal(0), "pedal2.double_keys": encode("Up Arrow", "us")})
    letter = collect(unit, None, HOST)
    shipped: dict[str, Value] = {
        "pump.idle_pct": Decimal(35),
        "pedal2.tap_keys": encode("Down Arrow", "us"),
        "pedal2.double_keys": b"",
        "pedal1.hold_keys": encode('"other"', "us"),
        "unit.name": "shipped",
    }
    found = compared(letter, ACCEPTED, shipped)
    assert found.settings == [
        ("pump.idle_pct", "0 %", "35 %"),
        ("pedal2.double_keys", "Up Arrow", "none"),
        ("pedal1.hold_keys", "8 keys in 8 chords", "5 keys in 5 chords"),
    ]
    text = " ".join(answered(letter, ACCEPTED, shipped).split())
    assert "Settings that are not as we shipped them: pump.idle_pct is 0 %, was 35 %" in text
    factory = compared(letter, ACCEPTED, None)
    assert ("pump.idle_pct", "0 %", "40 %") in factory.settings
    assert "pump.idle_pct" not in answered(letter)


def test_settings_that_nobody_knows_are_named_and_change_nothing(unit: Client) -> None:
    letter = collect(unit, None, HOST)
    odd = changed(letter, settings={**letter.settings, "x.lamp.held_pct": "60", "pump.idle_pct": "-1e999"})
    found = compared(odd, ACCEPTED, None)
    assert found.unknown_settings == ["x.lamp.held_pct"]
    assert ("pump.idle_pct", "-1e999 %", "40 %") in found.settings


def test_another_firmware(unit: Client) -> None:
    letter = collect(unit, None, HOST)
    newer = changed(letter, unit=letter.unit.model_copy(update={"firmware": "0.2.0", "registry_hash": "00000000"}))
    text = " ".join(answered(newer).split())
    assert "Firmware 0.2.0 (source); accepted with 0.1.0 (source)." in text
    assert "other settings than this Airquill knows" in text


def test_the_log_and_counters_in_words(unit: Client) -> None:
    letter = collect(unit, None, HOST)
    entries = [(1000, 0), (5, 9), (5, 9), (1000, 0), (4, 0), (25, 0), (7777, 0)]
    log = [{"number": n, "at_s": n, "what": what, "detail": detail} for n, (what, detail) in enumerate(entries)]
    hours = {"life.filter_h": "130.25", "life.pump_h": "12", "link.bad_lines": "400"}
    parts = letter.model_dump()
    full = Letter.model_validate({**parts, "log": log, "readings": {**parts["readings"], **hours}})
    found = compared(full, ACCEPTED, None)
    assert [(entry.word, entry.times, entry.lately) for entry in found.log] == [
        ("supply_low", 2, False),
        ("sensor_range", 1, True),
        ("watchdog_restart", 1, True),
        ("number 7777", 1, True),
    ]
    text = " ".join(answered(full).split())
    assert "supply_low 2 times." in text
    assert "The filter has run 130 h of 100 h: change it." in text
    assert BY_NAME["filter_clog"].do in text
    assert "another USB cable" in text
    assert "sensor_range: The vacuum sensor reads beyond its range." in text
    assert "The pump has run" not in text


def test_counters_that_are_no_numbers_are_passed_over(unit: Client) -> None:
    letter = collect(unit, None, HOST)
    odd = changed(letter, readings={"life.filter_h": "nan", "life.pump_h": "1e999", "link.bad_lines": "<b>"})
    assert compared(odd, ACCEPTED, None).counters == []


def test_likelihoods_never_claim_to_be_certain() -> None:
    assert (likelihood(1.0), likelihood(0.0), likelihood(0.834)) == ("over 99 %", "under 1 %", "83 %")


def hostile(letter: Letter) -> Letter:
    """Everything that may hold text holds markup and commands for a terminal, as far as reading lets it through."""
    bad = "<script>alert(1)</script>{{ 7*7 }}`touch /tmp/x`"
    checkup = letter.checkup
    assert checkup is not None
    traces = {
        name: {**trace, "marks": [[0.1, bad[:40]]], "states": [*trace["states"], [9.0, "<img src=x>"]]}
        for name, trace in checkup.traces.items()
    }
    return changed(
        letter,
        settings={**letter.settings, "pump.idle_pct": bad, "x.a": bad},
        readings=dict.fromkeys(letter.readings, bad),
        checkup=checkup.model_copy(update={"traces": traces, "notes": [bad], "stopped_by": bad[:40], "day": bad[:40]}),
    )


@pytest.fixture
def pages(unit: Client) -> Callable[[Letter], tuple[str, str]]:
    def made(letter: Letter) -> tuple[str, str]:
        found = compared(letter, ACCEPTED, None)
        diagnosis = judged(letter, ACCEPTED, model())
        reply = drafted(letter, ACCEPTED, found, diagnosis)
        return letter_page(letter, ACCEPTED, found, diagnosis, reply), reply.text()

    return made


def test_nothing_of_a_letter_is_markup(unit: Client, pages: Callable[[Letter], tuple[str, str]]) -> None:
    """Against the standard library's HTML parser: the page has the same elements as one of a harmless letter, and
    neither scripts, handlers nor addresses."""
    from html.parser import HTMLParser

    letter = collect(unit, checkup_of(unit), HOST)
    page, text = pages(hostile(letter))
    found: set[str] = set()

    class Parser(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            found.add(tag)
            for name, value in attrs:
                assert not name.startswith("on"), (tag, name)
                assert name not in ("src", "href", "action") and (name != "xlink:href" or str(value).startswith("#"))

    Parser().feed(page)
    assert "script" not in found
    assert "img" not in found
    assert "&lt;script&gt;alert(1)" in page
    assert "49`" not in page, "a template ran"
    assert "\x1b" not in page + text


def test_a_terminal_shows_the_reply_and_obeys_nothing_in_it(
    unit: Client, pages: Callable[[Letter], tuple[str, str]], require: Any
) -> None:
    """Against pyte, a terminal (ECMA-48): what it shows is the text itself."""
    require(importlib.util.find_spec("pyte"), "needs pyte: pip install pyte")
    import pyte

    letter = collect(unit, checkup_of(unit, "filter_clog", 0.62), HOST)
    _, text = pages(hostile(letter))
    rows = text.rstrip("\n").split("\n")
    assert max(len(row) for row in rows) <= COLUMNS + 40  # a word that is longer stays whole
    screen = pyte.Screen(160, len(rows) + 1)
    pyte.Stream(screen).feed(text.replace("\n", "\r\n"))
    assert [row.rstrip() for row in screen.display[: len(rows)]] == rows


def test_the_page_has_one_plot_and_the_reply(unit: Client, pages: Callable[[Letter], tuple[str, str]]) -> None:
    letter = collect(unit, checkup_of(unit, "pump_wear", 0.4), HOST)
    page, text = pages(letter)
    assert page.count("<svg") == 1
    assert "Tip closed" in page
    assert "(outside)" in page
    assert text.split("\n")[0] in page
    assert "64.0 kPa to 66.0 kPa" in page
