"""Bursts, their figures, and the settings that follow; and that a pedal set as recommended counts each press once."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.link.client import Client
from airquill.pedals.bounce import GAP_US, Edge, bursts, judge
from airquill.pedals.feet import VirtualFeet
from airquill.pedals.record import record
from airquill.simulator.contacts import BOUNCE
from airquill.simulator.control import Control


def edges_of(*moves):
    """Edges given as (us, closed)."""
    return [Edge(us, closed) for us, closed in moves]


def test_a_pause_parts_bursts_and_their_ends_name_them():
    found = bursts(
        edges_of((0, True), (900, False), (4000, True), (200_000, False), (300_000, True), (301_000, False)), False
    )
    assert [burst.kind for burst in found] == ["press", "release", "stray"]
    assert [burst.ms for burst in found] == [4.0, 0.0, 1.0]


def test_a_normally_closed_pedal_presses_by_opening():
    found = bursts(edges_of((0, False), (500, True), (1500, False), (100_000, True)), True)
    assert [burst.kind for burst in found] == ["press", "release"]


@given(st.lists(st.tuples(st.integers(0, 10**7), st.booleans()), max_size=60), st.booleans())
def test_every_edge_is_in_one_burst(moves, closed_at_rest):
    edges = edges_of(*sorted(moves))
    found = bursts(edges, closed_at_rest)
    assert [edge for burst in found for edge in burst.edges] == edges
    starts = [burst.edges[0].us for burst in found]
    ends = [burst.edges[-1].us for burst in found]
    assert all(start - end >= GAP_US for start, end in zip(starts[1:], ends[:-1], strict=True))
    kinds = [burst.kind for burst in found if burst.kind != "stray"]
    assert kinds == (["press", "release"] * len(kinds))[: len(kinds)], "press and release take turns"


def test_figures_by_hand():
    edges = []
    for n, ms in enumerate((1, 2, 3, 10)):
        begin = n * 1_000_000
        edges += edges_of((begin, True), (begin + ms * 1000, True), (begin + 500_000, False))
    bounce = judge(1, edges, False, counted=4)
    assert (bounce.press.bursts, bounce.press.median_ms, bounce.press.longest_ms) == (4, 2.5, 10.0)
    assert bounce.release.longest_ms == 0.0
    # 1.5 times the longest burst and the millisecond that its end is uncertain by: 16.5, rounded up.
    assert (bounce.press_ms, bounce.release_ms) == (3, 17)
    assert "10.0 ms" in bounce.release_reason
    assert [warning for warning in bounce.warnings if "Only 4 presses" not in warning] == []


def test_what_is_warned_of():
    stray = edges_of((0, True), (8000, False))
    worn = edges_of((1_000_000, True), (1_030_000, True), (2_000_000, False))
    bounce = judge(2, stray + worn, False, counted=2, dropped=3)
    assert bounce.strays == 1
    assert bounce.press_ms == 12, "half as much again as the stray contact's 8 ms"
    text = " ".join(bounce.warnings)
    for word in (
        "Chatter",
        "Worn contact",
        "counted 2 presses where the contact shows 1",
        "3 events",
        "Only 1 presses",
    ):
        assert word in text


def unit_and_feet(url):
    unit = Client.open(url)
    control = Control.of(unit.port.raw.unit)
    return unit, VirtualFeet(control)


def test_the_virtual_pedal_is_recorded_as_it_is():
    unit, feet = unit_and_feet("sim://")
    before = unit.all_settings()
    counts = []
    bounce = record(unit, 2, 12, feet, counts.append)
    assert counts == [*range(1, 13)]
    assert (bounce.counted, bounce.press.bursts, bounce.release.bursts, bounce.strays) == (12, 12, 12, 0)
    # The pattern that the virtual foot makes, but for the pass in which an edge is seen.
    assert abs(bounce.press.longest_ms - BOUNCE["foot"][-1] / 1000) <= 1.0
    assert bounce.release_ms > BOUNCE["foot"][-1] / 1000
    assert unit.all_settings() == before
    assert unit.get("cycle.picks", "keys.sent") == {"cycle.picks": 0, "keys.sent": 0}


@pytest.mark.parametrize("strength", [0.3, 0.6, 1.0])
def test_a_bad_pedal_set_as_recommended_counts_once(strength):
    """Recommended from twenty presses; then twenty others, with the recommendation."""
    unit, feet = unit_and_feet(f"sim://?fault=pedal_bounce:{strength}")
    first = record(unit, 1, 20, feet)
    unit.set({"pedal1.press_ms": first.press_ms, "pedal1.release_ms": first.release_ms})
    again = record(unit, 1, 20, feet)
    assert again.counted == again.press.bursts == 20


def test_a_chattering_contact_is_said_to_chatter():
    unit, feet = unit_and_feet("sim://?fault=pedal_chatter:0.3")
    said = " ".join(record(unit, 1, 20, feet).warnings)
    assert "Chatter" in said or "Worn" in said
    assert "counted" in said
