"""Whatever happens to the pedals, the unit and the cable: no key stays down at the PC, and none comes late.

The whole firmware on a virtual unit, at random: presses, faults, suspends, unplugs, deaf computers, changed settings,
power cuts. Reports are judged as the PC got them.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from hypothesis import example, given, note, settings
from hypothesis import strategies as st

from airquill.keys import encode
from airquill.link.client import Client, Refused
from airquill.simulator.control import Control
from keys.stuck import BOUND, QUIET_S, Told

UNIT = "sim://?sensor=off&panel=off&supply=12"

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
        self.told = Told()
        self.told.mounts.append((0, self.told.after_mount_us))

    def now_us(self) -> int:
        return round(self.hands.clock() * 1e6)

    def do(self, step: tuple[Any, ...]) -> None:
        what = step[0]
        if what == "wait":
            self.hands.sleep(step[1] / 1000)
        elif what == "press":
            self.told.pressed(self.now_us(), step[2])
            self.hands.press(step[1], ms=step[2], bounce="foot")
        elif what == "host":
            self.told.computer(self.now_us(), step[1])
            self.hands.key_host(step[1])
        elif what in ("power", "hang"):
            self._restart(what)
        elif what == "stop":
            self.unit.do("stop")
            self.told.stopped(self.now_us())
        elif what == "clear":
            self.told.may_go_on(self.now_us())
            self.unit.do("clear")
        elif what == "hold_ms":
            other = 20 if self.unit.get("keys.hold_ms")["keys.hold_ms"] == 30 else 30
            self.unit.set({"keys.hold_ms": other})
        elif what == "strike":
            with suppress(Refused):  # a stopped unit, or one without a computer, says no
                self.unit.do("strike", encode("Tab times 3"))

    def _restart(self, how: str) -> None:
        self.hands.sleep(0.002)  # no two things at one moment
        self.told.restarted(self.now_us())
        if how == "power":
            self.hands.power_cut()
            self.hands.sleep(0.05)
            self.hands.power_up()
        else:
            self.hands.hang()
        self.unit.port.sleep(self.told.after_restart_us / 1e6)
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
    story.told.judge(reports)
