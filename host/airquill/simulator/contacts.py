"""The pedals' contacts as the unit's input pins see them, with bounce and with what a bad cable makes of it."""

from airquill.pneumatics.sensor import Noise

from .faults import slot_share

# Times after the first edge, in us, at which the contact changes again; it ends where the foot put it.
# A published survey of 18 switches found 1.6 ms on average and 6.2 ms at the longest (second-hand); foot switches reach
# 5 to 30 ms (from memory).
BOUNCE = {
    "clean": (),
    "typical": (120, 300, 700, 1600),
    "rough": (80, 200, 450, 900, 1500, 2400, 3600, 6200),
    "foot": (50, 120, 300, 700, 1500, 2600, 4200, 6000, 8500, 11000, 14000, 18000),
}
CHATTER_US = 30000
CABLE_US = 50000
BOUNCE_FAULT_US = 40000


class Contacts:
    """Two contacts. `faults` is the world's table of strengths."""

    COUNT = 2

    def __init__(self, faults: "dict[str, float]", noise: Noise, seed: int) -> None:
        self.faults = faults
        self.down = [False] * self.COUNT
        self.normally_closed = [False] * self.COUNT
        self._noise = noise
        self._seed = seed
        self._raw = [False] * self.COUNT
        self._events: "list[tuple[int, int, bool]]" = []

    def move(self, now: int, pedal: int, down: bool, bounce: "str | tuple[int, ...]" = "typical") -> None:
        """The foot moves at `now` (us): `bounce` is a name of BOUNCE or when the contact changes again, in us later.

        ValueError for an unknown name or a pedal that is not there.
        """
        if not 0 <= pedal < self.COUNT:
            raise ValueError("there are pedals 1 and 2")
        if isinstance(bounce, str):
            if bounce not in BOUNCE:
                raise ValueError("no bounce is called %s; there are %s" % (bounce, ", ".join(sorted(BOUNCE))))
            bounce = BOUNCE[bounce]
        times = [0] + [int(us) for us in bounce]
        extra = self.faults["pedal_bounce"] * BOUNCE_FAULT_US
        last = times[-1]
        while last < extra:
            last += 100 + int(self._noise.uniform() * 3000)
            times.append(last)
        if len(times) % 2 == 0:
            times.append(times[-1] + 100)
        level = down
        for us in times:
            self._add(now + us, pedal, level)
            level = not level

    def _add(self, us: int, pedal: int, level: bool) -> None:
        at = len(self._events)
        while at and self._events[at - 1][0] > us:
            at -= 1
        self._events.insert(at, (us, pedal, level))

    def next_us(self) -> int:
        """When the next edge is due, or -1."""
        return self._events[0][0] if self._events else -1

    def next_edge(self, now: int) -> "tuple[int, int] | None":
        """Take the next edge that is due by `now`: (time in us, pedal); None when there is none."""
        while self._events and self._events[0][0] <= now:
            us, pedal, level = self._events.pop(0)
            self.down[pedal] = level
            if self._raw[pedal] != level:
                self._raw[pedal] = level
                return us, pedal
        return None

    def unsteady(self) -> bool:
        """True when a fault may change a level at any moment."""
        f = self.faults
        return f["pedal_chatter"] > 0 or f["cable_open"] > 0 or f["cable_short"] > 0 or f["pwm_pickup"] > 0

    def closed(self, now: int, pedal: int, pump_on: bool) -> bool:
        """Whether the pin sees the contact closed at `now`."""
        level = self._raw[pedal] != self.normally_closed[pedal]
        if not self.unsteady():
            return level
        f = self.faults
        seed = self._seed * 2 + pedal
        if level and slot_share(seed, now // CHATTER_US) < f["pedal_chatter"]:
            level = False
        if slot_share(seed + 1000, now // CABLE_US) < f["cable_open"]:
            level = False
        if slot_share(seed + 2000, now // CABLE_US) < f["cable_short"]:
            level = True
        if pump_on and self._noise.uniform() < 0.5 * f["pwm_pickup"]:
            level = not level
        return level

    def glitches(self, pump_on: bool) -> bool:
        """Whether the pump's PWM made an edge since the last look that has gone again."""
        return pump_on and self._noise.uniform() < self.faults["pwm_pickup"]
