"""What `pedals check` says of pedals that are wired right, and of each way to wire them wrong."""

import pytest

from airquill.link.client import Client
from airquill.pedals.feet import VirtualFeet
from airquill.pedals.wiring import check
from airquill.simulator.control import Control


class CrossedFeet(VirtualFeet):
    """The plugs are swapped: a foot on one pedal closes the other's contact."""

    def press(self, pedal):
        super().press(3 - pedal)


class TouchingFeet(VirtualFeet):
    """The lines touch: a foot on one pedal closes both."""

    def press(self, pedal):
        super().press(1)
        super().press(2)


class ShadowedFeet(VirtualFeet):
    """A chain with one wire: what happens behind the pedal that is held does not arrive."""

    def chord(self, held, pressed):
        super().press(held)


def findings(url="sim://", feet=VirtualFeet, pedals=(1, 2), prepare=lambda _unit, _control: None):
    with Client.open(url) as unit:
        control = Control.of(unit.port.raw.unit)
        prepare(unit, control)
        before, picks = unit.all_settings(), unit.get("cycle.picks")
        found = check(unit, pedals, feet(control))
        assert unit.all_settings() == before
        assert unit.get("cycle.picks") == picks
        return {(finding.what, *finding.pedals): finding for finding in found}


def test_right_wiring_is_found_right():
    found = findings()
    assert [*found] == [("rest", 1), ("rest", 2), ("press", 1), ("press", 2), ("chain", 1, 2)]
    assert all(finding.ok for finding in found.values())


def test_one_pedal_alone():
    found = findings(pedals=(2,))
    assert [*found] == [("rest", 2), ("press", 2)]
    assert all(finding.ok for finding in found.values())


def test_normally_closed_and_told_so_is_right():
    def prepare(unit, control):
        for pedal in (1, 2):
            control.contact(pedal, True)
        unit.port.sleep(0.2)
        unit.do("release")
        unit.port.sleep(3)
        unit.set({"pedal1.contact": "normally_closed", "pedal2.contact": "normally_closed"})
        unit.port.sleep(0.2)

    assert all(finding.ok for finding in findings(prepare=prepare).values())


def test_polarity_the_other_way_round_names_the_setting():
    def prepare(_unit, control):
        control.contact(1, True)
        control.sleep(0.2)

    found = findings(prepare=prepare)
    assert not found["rest", 1].ok
    assert "pedal1.contact=normally_closed" in found["rest", 1].sentence
    assert ("press", 1) not in found
    assert found["press", 2].ok
    assert ("chain", 1, 2) not in found


@pytest.mark.parametrize(
    ("url", "feet", "what", "words"),
    [
        ("sim://?fault=cable_open:1", VirtualFeet, ("press", 1), "Nothing came from pedal 1"),
        ("sim://?fault=cable_short:1", VirtualFeet, ("rest", 2), "reads as down"),
        ("sim://", CrossedFeet, ("press", 1), "swapped"),
        ("sim://", TouchingFeet, ("press", 2), "lines touch"),
        ("sim://", ShadowedFeet, ("chain", 1, 2), "its own wire"),
    ],
)
def test_wrong_wiring_is_named(url, feet, what, words):
    finding = findings(url, feet)[what]
    assert not finding.ok
    assert words in finding.sentence


def test_a_loose_wire_that_closes_for_a_moment():
    class Flick(VirtualFeet):
        def press(self, pedal):
            self._control.press(pedal, ms=2, bounce="clean")

    assert "too shortly" in findings(feet=Flick)["press", 1].sentence


def test_a_pedal_that_counts_twice_is_sent_to_the_recording():
    class Double(VirtualFeet):
        def press(self, pedal):
            self._control.press(pedal, ms=60, bounce="clean")
            self._control.sleep(0.12)
            self._control.press(pedal, ms=60, bounce="clean")

    assert "airquill pedals record 1" in findings(feet=Double)["press", 1].sentence
