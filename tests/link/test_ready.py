"""Prompts are answered by Enter or by a foot, and the foot does nothing else."""

import os
import pty

import pytest

from airquill.link.client import Client
from airquill.link.ready import enter_at_terminal, quiet_pedals, wait_until_ready
from airquill.simulator.control import Control

BOUND = {"pedal1.vacuum": "momentary", "pedal2.vacuum": "latching", "pedal2.tap_keys": bytes.fromhex("110051")}


@pytest.fixture
def unit():
    with Client.open("sim://") as client:
        client.set(BOUND)
        client.port.sleep(0.2)
        yield client


@pytest.fixture
def hands(unit):
    return Control.of(unit.port.raw.unit)


def never(_seconds):
    return False


def after(asks, act):
    """An `entered` that lets `act` happen at the n-th time it is asked."""
    left = [asks]

    def entered(_seconds):
        left[0] -= 1
        if left[0] == 0:
            act()
        return False

    return entered


@pytest.mark.parametrize("pedal", [1, 2])
def test_a_press_of_any_pedal_is_an_answer_and_nothing_else(unit, hands, pedal):
    before = len(hands.reports())
    assert wait_until_ready(unit, after(3, lambda: hands.press(pedal, ms=120, bounce="foot"))) == "pedal"
    unit.port.sleep(0.5)
    assert unit.get("cycle.picks", "cycle.state") == {"cycle.picks": 0, "cycle.state": "idle"}
    assert unit.get(f"pedal{pedal}.down")[f"pedal{pedal}.down"] is False, "the press has ended"
    assert not any(any(report) for _, report in hands.reports()[before:])
    assert unit.get(*BOUND) == BOUND
    assert unit.get("settings.unsaved")["settings.unsaved"] is True  # as it was: BOUND is not saved


def test_a_pedal_that_may_not_answer_does_not(unit, hands):
    asked = []

    def entered(_seconds):
        asked.append(1)
        if len(asked) == 3:
            hands.press(1, ms=60)
        return len(asked) > 20

    assert wait_until_ready(unit, entered, pedals=(2,)) == "enter"
    assert wait_until_ready(unit, after(3, lambda: hands.press(2, ms=60)), pedals=(2,)) == "pedal"


def test_enter_is_an_answer(unit):
    assert wait_until_ready(unit, lambda _seconds: True) == "enter"
    assert unit.get(*BOUND) == BOUND


def test_a_press_of_before_the_question_is_none(unit, hands):
    unit.listen("pedal")
    hands.press(1, ms=60)
    unit.port.sleep(0.5)
    asked = []
    assert wait_until_ready(unit, lambda _seconds: asked.append(1) or len(asked) > 20) == "enter"


def test_pedals_are_themselves_again_when_the_question_ends_by_an_error(unit):
    def stopped(_seconds):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        wait_until_ready(unit, stopped)
    assert unit.get(*BOUND) == BOUND
    unit.listen()


def test_with_vacuum_on_the_pedals_stay_as_they_are(unit, hands):
    unit.do("pick")
    with quiet_pedals(unit) as quiet:
        assert not quiet
        assert unit.get(*BOUND) == BOUND
    assert wait_until_ready(unit, after(2, lambda: hands.press(2, ms=60))) == "pedal"
    unit.do("release")


def test_enter_at_a_real_terminal(monkeypatch):
    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as terminal:
        monkeypatch.setattr("sys.stdin", terminal)
        assert enter_at_terminal(0.05) is False
        os.write(master, b"half a line")
        assert enter_at_terminal(0.05) is False
        os.write(master, b"\n")
        assert enter_at_terminal(1.0) is True
        assert enter_at_terminal(0.05) is False
        os.write(master, b"\x04")  # the end of input, as Ctrl-D gives it
        with pytest.raises(EOFError):
            enter_at_terminal(1.0)
    os.close(master)
