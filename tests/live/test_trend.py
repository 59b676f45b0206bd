"""Changes over many picks: none is told of a healthy unit, and one is told before a unit fails.

docs/watch.md has the figures of longer runs with many more units and hands.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from typing import Any

import pytest

import airquill.simulator as airquill_simulator
from airquill.live.picks import Pick
from airquill.live.recording import Header
from airquill.live.trend import LEAST, SET, Notice, Trend, longer, summed
from operator_at_work import ACCEPTED, HEADER, PARTS, at_work


@pytest.fixture(autouse=True)
def no_units() -> Iterator[None]:
    airquill_simulator.reset()
    yield
    airquill_simulator.reset()


HEALTHY = [
    {"needle": 18, "strength_pct": 50, "parts": PARTS[2:], "miss_share": 0.25, "learned": True},
    {"needle": 20, "strength_pct": 70, "latest_s": 0.7},
    {"needle": 22, "strength_pct": 100, "learned": True, "latest_s": 0.7},
    {"needle": 25, "strength_pct": 60, "make": "drawn"},
    {"needle": 27, "strength_pct": 80, "make": "drawn", "miss_share": 0.3},
]


@pytest.mark.parametrize("case", range(len(HEALTHY)))
def test_nothing_is_told_of_a_healthy_unit(case: int) -> None:
    assert at_work(case, 2 * SET + 6, **HEALTHY[case]).arisen == []


def test_nothing_is_told_when_smooth_parts_are_followed_by_rough_ones() -> None:
    smooth, rough = PARTS[2], PARTS[3]
    turns = iter([smooth] * SET + [rough] * 2 * SET)

    class Turns(list[Any]):
        def __getitem__(self, _place: Any) -> Any:
            return next(turns)

    trend = at_work(3, 3 * SET - 2, needle=18, strength_pct=60, learned=True, parts=Turns([smooth] * 3 * SET))
    assert trend.arisen == []


def growing(name: str, strengths: tuple[float, ...]) -> Callable[[int], tuple[str, float] | None]:
    return lambda pick: (name, strengths[min(pick // SET, len(strengths) - 1)]) if pick % SET == 0 else None


# The last strength of each is below the one at which an acceptance check fails: the vent from 0.65 of a clogged filter,
# the open level from 0.3 of a worn pump, the sealed level from 0.55 of a leak. The check of decay sees a leak of 0.02;
# picks do not.
GROWING = [
    ("filter_clog", (0.0, 0.4, 0.6), "let_go", "filter"),
    ("pump_wear", (0.0, 0.1, 0.25), "level", "weak pump"),
    ("hose_leak", (0.0, 0.15, 0.3), "level", "leak"),
]


@pytest.mark.parametrize(("name", "strengths", "kind", "word"), GROWING, ids=[row[0] for row in GROWING])
@pytest.mark.parametrize("make", ["usual", "drawn"])
def test_a_growing_fault_is_told_before_the_unit_fails(
    name: str, strengths: tuple[float, ...], kind: str, word: str, make: Any
) -> None:
    trend = at_work(4, 3 * SET + 4, growing(name, strengths), make=make)
    assert kind in [notice.kind for notice in trend.arisen]
    notice = next(notice for notice in trend.arisen if notice.kind == kind)
    assert word in notice.sentence
    assert notice.pick > SET
    against = "accepted" if make == "usual" and kind == "let_go" else "first_picks"
    assert notice.against == against


@pytest.mark.parametrize(
    ("fault", "against", "options"),
    [
        (("filter_clog", 0.6), "accepted", {}),
        (("pump_wear", 0.25), "learned", {"learned": True}),
        (("pump_wear", 0.25), "accepted", {"strength_pct": 100}),
        (("hose_leak", 0.4), "learned", {"learned": True}),
        (("valve_slow", 0.3), "accepted", {}),
    ],
)
def test_a_fault_that_is_there_from_the_first_pick_on(
    fault: tuple[str, float], against: str, options: dict[str, Any]
) -> None:
    trend = at_work(5, SET + 3, lambda pick: fault if pick == 0 else None, **options)
    assert {notice.against for notice in trend.arisen} == {against}
    assert ("valve is slow" in trend.arisen[0].sentence) == (fault[0] == "valve_slow")


def made(count: int, first: int = 1, **figures: Any) -> list[Pick]:
    values = {"level_kpa": 60.0, "rise_s": 0.25, "let_go_ms": 64.0, "vent_ms": 37.0, **figures}
    return [Pick(first + n, n * 4.0, 1.5, 2, 80.0, False, "released", **values) for n in range(count)]


def notices(*sets: list[Pick], header: Header = HEADER) -> list[Notice]:
    trend = Trend(header)
    for pick in (pick for some in sets for pick in some):
        trend.take(pick)
    return trend.notices()


def test_a_slower_rise_alone_is_told_as_pull_down() -> None:
    (notice,) = notices(made(SET), made(SET, rise_s=0.35))
    assert (notice.kind, notice.against) == ("pull_down", "first_picks")
    wanted = "Pull-down takes a third longer than at the first picks of this recording: clean or change the filter."
    assert notice.sentence.startswith(wanted)


def test_a_slower_rise_to_a_lower_level_is_no_filter() -> None:
    found = notices(made(SET), made(SET, level_kpa=50.0, rise_s=0.3))
    assert [notice.kind for notice in found] == ["level", "pull_down"]
    assert not any("filter" in notice.sentence for notice in found)


def test_pull_down_is_compared_with_acceptance_at_full_strength_and_a_known_altitude_only() -> None:
    header = HEADER.model_copy(update={"baseline": ACCEPTED.text(), "altitude_m": 0.0})
    strong = [Pick(**{**vars(pick), "strength_pct": 100.0}) for pick in made(SET, level_kpa=64.0, rise_s=0.4)]
    (notice,) = notices(strong, header=header)
    assert (notice.kind, notice.against) == ("pull_down", "accepted")
    assert "half as long again as when the unit was accepted: clean or change the filter" in notice.sentence
    assert notices(strong, header=header.model_copy(update={"altitude_m": None})) == []
    assert notices(made(SET, level_kpa=64.0, rise_s=0.4), header=header) == []


def test_levels_are_compared_as_they_would_be_here() -> None:
    """65 kPa at sea level are 51 kPa at 2000 m: 65 x 79.50 / 101.325 (ISO 2533, table 5)."""
    header = HEADER.model_copy(update={"baseline": ACCEPTED.text(), "altitude_m": 2000.0})
    high = [Pick(**{**vars(pick), "strength_pct": 100.0}) for pick in made(SET, level_kpa=50.0, rise_s=0.2)]
    assert [notice.kind for notice in notices(high, header=header)] == []
    sea = header.model_copy(update={"altitude_m": 0.0})
    assert [notice.kind for notice in notices(high, header=sea)] == ["level"]


def test_scatter_hides_a_change() -> None:
    def scattered(first: int, by_ms: float) -> list[Pick]:
        chance = random.Random(first)
        return [Pick(**{**vars(pick), "let_go_ms": chance.uniform(10, 200) + by_ms}) for pick in made(SET, first)]

    assert notices(scattered(1, 0.0), scattered(1 + SET, 40.0)) == []


def test_picks_of_another_strength_are_another_matter() -> None:
    strong = [Pick(**{**vars(pick), "strength_pct": 100.0}) for pick in made(2 * SET, level_kpa=64.0)]
    assert notices(strong, made(2 * SET, level_kpa=50.0)) == []


def test_two_level_control_keeps_levels_to_itself() -> None:
    header = HEADER.model_copy(update={"control": "two_level"})
    assert notices(made(SET), made(SET, level_kpa=40.0), header=header) == []
    kinds = [notice.kind for notice in notices(made(SET), made(SET, let_go_ms=99.0, vent_ms=70.0), header=header)]
    assert kinds == ["let_go"]
    assert "Two-level" in Trend(header).cannot_tell()[0]


def test_a_notice_arises_once_and_goes_when_the_cause_is_gone() -> None:
    trend = Trend(HEADER)
    for pick in made(SET) + made(SET, SET + 1, let_go_ms=99.0, vent_ms=70.0):
        trend.take(pick)
    assert len(trend.notices()) == len(trend.arisen) == 1
    for pick in made(SET, 2 * SET + 1):
        trend.take(pick)
    assert (trend.notices(), len(trend.arisen)) == ([], 1)
    assert trend.arisen[0].pick < 2 * SET + 1


def test_few_picks_tell_nothing() -> None:
    assert summed(made(LEAST - 1)) == {}
    assert notices(made(SET - 1, let_go_ms=500.0)) == []
    trend = Trend(HEADER)
    assert trend.waiting == SET
    trend.take(made(1)[0])
    assert trend.waiting == SET - 1


def test_missed_picks_do_not_count_as_a_lower_level() -> None:
    missed = made(7, SET + 1, level_kpa=44.0, let_go_ms=50.0)
    assert notices(made(SET), missed + made(SET - 7, 2 * SET)) == []


def test_without_a_sensor_it_says_where_to_go() -> None:
    (sentence,) = Trend(HEADER.model_copy(update={"sensor": False})).cannot_tell()
    assert "airquill diagnose" in sentence


@pytest.mark.parametrize(
    ("times", "words"),
    [
        (1.33, "a third longer than"),
        (1.5, "half as long again as"),
        (2.0, "twice as long as"),
        (3, "3.0 times as long as"),
    ],
)
def test_ratios_in_words(times: float, words: str) -> None:
    assert longer(times) == words
