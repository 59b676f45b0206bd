"""The computer at the keyboard interface: takes a report once a millisecond and keeps what it got."""

from .faults import slot_share

ABSENT = 0
ASLEEP = 1
READY = 2
STATES = ("absent", "asleep", "ready", "deaf")

FRAME_US = 1000  # a full-speed frame, the shortest poll interval (USB 2.0, 5.7.4)
FAULT_US = 1000000


class KeyHost:
    """The computer. Public: `state` (of STATES; "deaf" is ready but never polls), `leds`, `captured` and `mounts`.

    `captured` holds (us, report in hex). `mounts` counts how often it came or woke since the unit's start.
    """

    def __init__(self, faults: "dict[str, float]", seed: int) -> None:
        self.state = "ready"
        self.leds = 0
        self.mounts = 0
        self.captured: "list[tuple[int, str]]" = []
        self._faults = faults
        self._seed = seed
        self._mount_at = -1
        self._was = ABSENT
        self._pending: "bytes | None" = None
        self._pending_us = 0

    def attach(self, at_us: int) -> None:
        """The unit (re)starts: the host finds it at `at_us` and an unread report is gone."""
        self.mounts = 0
        self._was = ABSENT
        self._mount_at = at_us
        self._pending = None

    def look(self, now: int) -> int:
        """ABSENT, ASLEEP or READY at `now`; also takes a report whose frame has come."""
        if self._pending is not None and self._was == READY and self.state != "deaf" and now >= self._pending_us:
            self.captured.append((self._pending_us, self._pending.hex()))
            self._pending = None
        is_now = READY
        if now < self._mount_at or self.state == "absent":
            is_now = ABSENT
        elif self._faults["usb_unplug"] and slot_share(self._seed + 1, now // FAULT_US) < self._faults["usb_unplug"]:
            is_now = ABSENT
        elif self.state == "asleep":
            is_now = ASLEEP
        elif self._faults["usb_suspend"] and slot_share(self._seed, now // FAULT_US) < self._faults["usb_suspend"]:
            is_now = ASLEEP
        if is_now != self._was:
            if is_now == READY or self._was == ABSENT:
                self.mounts += 1
            if is_now == ABSENT:
                self._pending = None
            self._was = is_now
        return is_now

    def offer(self, now: int, report: "bytes | bytearray") -> bool:
        """Take a report for the next frame; False when the one before is unread or nobody is there."""
        if self.look(now) != READY or self._pending is not None:
            return False
        self._pending = bytes(report)
        self._pending_us = (now // FRAME_US + 1) * FRAME_US
        return True

    def idle(self) -> bool:
        """True when no report waits to be taken."""
        return self._pending is None
