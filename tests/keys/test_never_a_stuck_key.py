"""Whatever happens to the pedals, the unit and the cable: no key stays down at the PC, and none comes late.

The whole firmware on a virtual unit, at random: presses, faults, suspends, unplugs, deaf computers, changed settings,
power cuts. Reports are judged as the PC got them.
"""

from __future__ import annotations

from contextlib import suppress
from itertools import pairwise
from typing import Any

from hypothesis import example, given, note, settings
from hypothesis import strategies as st

from airquill.keys import encode, events, still_down
from airquill.link.client import Client, Refused
from airquill.simulator.control import Control

NOTHING = bytes(8)
UNIT = "sim://?sensor=off&panel=off&supply=12"
BOUND = {
    "pedal1.vacuum": "none",
    "pedal1.tap_keys": encode("Left Shift + Tab, Enter"),
    "pedal2.tap_keys": encode("Down Arrow"),
    "pedal1.hold_keys": encode("A + B + C"),
    "keys.on_released": encode("Page Down"),
}
# The longest stroke above is 2 * (2 * 30 + 20) ms and its reports; a computer that takes none for a second gets none.
QUIET_S = 2.5
AFTER_MOUNT_US = 100_000
AFTER_RESTART_US = 3_000_000  # the watchdog bites after two seconds, and starting takes its time
AFTER_FAULT_US = 60_000
FOOT_US = 100_000

waits = st.tuples(st.just("wait"), st.sampled_from([1, 3, 7, 17, 29, 41, 80, 333, 1200]))
presses = st.tuples(st.just("press"), st.sampled_from([1, 2]), st.sampled_from([15, 40, 90, 400]))
hosts = st.tuples(st.just("host"), st.sampled_from(["absent", "asleep", "ready", "deaf"]))
others = st.tuples(st.sampled_from(["stop", "clear", "hold_ms", "strike", "power", "hang"]))
steps = st.lists(st.one_of(waits, waits, presses, presses, hosts, others), min_size=1, max_size=25)


class Story:
    """One virtual unit, what was done to it, and what its PC has seen."""

    def __init__(self) -> None:
        self.unit = Client.open(UNIT)
        self.hands = Control.of(self.unit.port.raw.unit)
        self.unit.port.sleep(0.2)
        self.unit.set(BOUND, keep=True)
        self.unit.port.sleep(0.2)
        self.host = "ready"
        self.foot_us = 0
        self.mounts = [(0, AFTER_MOUNT_US)]
        """When the PC and the unit found each other anew, and how long the unit may take to say that no key is down."""
        self.states: list[tuple[int, str]] = []
        """When the PC came, went, slept, woke, or fell deaf."""
        self.stops: list[list[int]] = []
        """When the unit was stopped, and when it was told to go on."""

    def now_us(self) -> int:
        return round(self.hands.clock() * 1e6)

    def host_at(self, us: int) -> str:
        """How the PC was just after a moment."""
        return next((state for at, state in reversed(self.states) if at <= us), "ready")

    def do(self, step: tuple[Any, ...]) -> None:
        what = step[0]
        if what == "wait":
            self.hands.sleep(step[1] / 1000)
        elif what == "press":
            self._may_go_on()
            self.foot_us = self.now_us() + step[2] * 1000 + FOOT_US
            self.hands.press(step[1], ms=step[2], bounce="foot")
        elif what == "host":
            if self.host in ("absent", "asleep") and step[1] in ("ready", "deaf"):
                self.mounts.append((self.now_us(), AFTER_MOUNT_US))
            if step[1] != self.host:
                self.states.append((self.now_us(), step[1]))
            self.host = step[1]
            self.hands.key_host(step[1])
        elif what in ("power", "hang"):
            self._may_go_on()
            self._restart(what)
        elif what == "stop":
            self.unit.do("stop")
            self.stops.append([self.now_us()])
            if self.now_us() < self.foot_us:
                self._may_go_on()  # a press that has begun may count after the stop, and clear it
        elif what == "clear":
            self._may_go_on()
            self.unit.do("clear")
        elif what == "hold_ms":
            other = 20 if self.unit.get("keys.hold_ms")["keys.hold_ms"] == 30 else 30
            self.unit.set({"keys.hold_ms": other})
        elif what == "strike":
            self._strike()

    def _may_go_on(self) -> None:
        """From here on the stopped unit may be cleared: by a foot, by the host, by a restart."""
        for stop in self.stops:
            if len(stop) == 1:
                stop.append(self.now_us())

    def _strike(self) -> None:
        with suppress(Refused):  # a stopped unit, or one without a computer, says no
            self.unit.do("strike", encode("Tab times 3"))

    def _restart(self, how: str) -> None:
        self.hands.sleep(0.002)  # no two things at one moment
        self.mounts.append((self.now_us(), AFTER_RESTART_US))
        self.states.append((self.now_us(), self.host))
        if how == "power":
            self.hands.power_cut()
            self.hands.sleep(0.05)
            self.hands.power_up()
        else:
            self.hands.hang()
        self.unit.port.sleep(AFTER_RESTART_US / 1e6)
        self.unit.greet_again()

    def end(self) -> list[tuple[int, bytes]]:
        """Feet off, the computer there and awake; what it got until all is quiet."""
        for pedal in (1, 2):
            self.hands.release(pedal, bounce="clean")
        self.do(("host", "ready"))
        self.hands.sleep(QUIET_S)
        return self.hands.reports()


@settings(max_examples=60)
@example([("press", 2, 400), ("wait", 29), ("stop",)])
@example([("press", 1, 90), ("wait", 80), ("wait", 80), ("stop",), ("clear",)])
@example([("press", 2, 400), ("wait", 29), ("host", "asleep"), ("wait", 80)])
@example([("press", 1, 90), ("wait", 80), ("wait", 80), ("host", "absent"), ("wait", 80)])
@example([("press", 2, 400), ("wait", 17), ("host", "deaf"), ("wait", 1200)])
@given(steps)
def test_no_key_stays_down_and_none_comes_late(story_steps: list[tuple[Any, ...]]) -> None:
    story = Story()
    try:
        for step in story_steps:
            story.do(step)
        reports = story.end()
    finally:
        story.unit.close()
    note("\n".join(f"{us} {report.hex()}" for us, report in reports))
    assert still_down(reports) == []
    assert reports[-1][1] == NOTHING, "the last word is that nothing is pressed"
    _first_says_nothing_is_down(story, reports)
    for stop in story.stops:
        late = [us for us, report in reports if any(report) and _between(us, stop)]
        assert late == [], "a stopped unit presses no key"
    for before, after in pairwise(reports):
        _is_a_step(before[1], after[1])


def _between(us: int, stop: list[int]) -> bool:
    return stop[0] + AFTER_FAULT_US < us < (stop[1] if len(stop) > 1 else us + 1)


def _first_says_nothing_is_down(story: Story, reports: list[tuple[int, bytes]]) -> None:
    """After each start and each resume: at most one report that was under way before, then nothing pressed."""
    for mounted_us, within_us in story.mounts:
        end_us = mounted_us + within_us
        left = [us for us, _ in story.states if mounted_us < us < end_us]
        here = [report for us, report in reports if mounted_us < us < min([end_us, *left])]
        if not left and story.host_at(mounted_us) == "ready":
            assert NOTHING in here, "the unit says that no key is down"
        before = here[: here.index(NOTHING)] if NOTHING in here else here
        assert len(before) <= 1


def _is_a_step(before: bytes, after: bytes) -> None:
    """From one report to the next keys only come, or only go: no report in between was lost."""
    downs = [event.down for event in events([(0, before), (1, after)])][len(events([(0, before)])) :]
    assert len(set(downs)) <= 1, f"{before.hex()} to {after.hex()}"
