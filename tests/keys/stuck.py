"""What was done to a unit and its computer, and whether the reports that the computer got leave a key down.

Knows nothing of how the unit is run, so one judge serves the virtual unit and the emulated chip.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

from airquill.keys import encode, events, still_down

NOTHING = bytes(8)
BOUND = {
    "pedal1.vacuum": "none",
    "pedal1.tap_keys": encode("Left Shift + Tab, Enter"),
    "pedal2.tap_keys": encode("Down Arrow"),
    "pedal1.hold_keys": encode("A + B + C"),
    "keys.on_released": encode("Page Down"),
}
# The longest stroke above is 2 * (2 * 30 + 20) ms and its reports; a computer that takes none for a second gets none.
QUIET_S = 2.5
AFTER_FAULT_US = 60_000
FOOT_US = 100_000


@dataclass
class Told:
    """Times in us, on the clock of the reports."""

    after_mount_us: int = 100_000
    after_restart_us: int = 3_000_000  # the watchdog bites after two seconds, and starting takes its time
    host: str = "ready"
    foot_us: int = 0
    """Until when a press that has begun may still count."""
    mounts: list[tuple[int, int]] = field(default_factory=list)
    """When computer and unit found each other anew, and how long the unit may take to say that no key is down."""
    states: list[tuple[int, str]] = field(default_factory=list)
    """When the computer came, went, slept, woke, or fell deaf."""
    stops: list[list[int]] = field(default_factory=list)
    """When the unit was stopped, and when it was told to go on."""

    def pressed(self, now_us: int, ms: int) -> None:
        self.may_go_on(now_us)
        self.foot_us = now_us + ms * 1000 + FOOT_US

    def computer(self, now_us: int, state: str, within_us: int | None = None) -> None:
        """The computer is in this state from now on; `within_us` is how long a mount may take, if not as usual."""
        if self.host in ("absent", "asleep") and state in ("ready", "deaf"):
            self.mounts.append((now_us, within_us or self.after_mount_us))
        if state != self.host:
            self.states.append((now_us, state))
        self.host = state

    def restarted(self, now_us: int) -> None:
        self.may_go_on(now_us)
        self.mounts.append((now_us, self.after_restart_us))
        self.states.append((now_us, self.host))

    def stopped(self, now_us: int) -> None:
        self.stops.append([now_us])
        if now_us < self.foot_us:
            self.may_go_on(now_us)  # a press that has begun may count after the stop, and clear it

    def may_go_on(self, now_us: int) -> None:
        """From here on the stopped unit may be cleared: by a foot, by the host, by a restart."""
        for stop in self.stops:
            if len(stop) == 1:
                stop.append(now_us)

    def judge(self, reports: list[tuple[int, bytes]]) -> None:
        """After the last report all is quiet: no key is down, none came late, no report in between was lost."""
        assert still_down(reports) == []
        assert reports[-1][1] == NOTHING, "the last word is that nothing is pressed"
        self._first_says_nothing_is_down(reports)
        for stop in self.stops:
            late = [us for us, report in reports if any(report) and _between(us, stop)]
            assert late == [], "a stopped unit presses no key"
        for before, after in pairwise(reports):
            _is_a_step(before[1], after[1])

    def _host_at(self, us: int) -> str:
        """How the computer was just after a moment."""
        return next((state for at, state in reversed(self.states) if at <= us), "ready")

    def _first_says_nothing_is_down(self, reports: list[tuple[int, bytes]]) -> None:
        """After each start and each resume: at most one report that was under way before, then nothing pressed."""
        for mounted_us, within_us in self.mounts:
            end_us = mounted_us + within_us
            left = [us for us, _ in self.states if mounted_us < us < end_us]
            here = [report for us, report in reports if mounted_us < us < min([end_us, *left])]
            if not left and self._host_at(mounted_us) == "ready":
                assert NOTHING in here, "the unit says that no key is down"
            before = here[: here.index(NOTHING)] if NOTHING in here else here
            assert len(before) <= 1


def _between(us: int, stop: list[int]) -> bool:
    return stop[0] + AFTER_FAULT_US < us < (stop[1] if len(stop) > 1 else us + 1)


def _is_a_step(before: bytes, after: bytes) -> None:
    """From one report to the next keys only come, or only go: no report in between was lost."""
    downs = [event.down for event in events([(0, before), (1, after)])][len(events([(0, before)])) :]
    assert len(set(downs)) <= 1, f"{before.hex()} to {after.hex()}"
