"""A direct-acting 3/2 solenoid valve: de-energised it vents the pen and blocks the pump; energised it joins the two.

The coil current follows the drive with a first-order lag; the plunger leaves its seat when the current passes the
pull-in share and returns when it falls below the drop-out share (one valve measured: 3.5 V and 1.25 V of 12 V; common
practice, no source). Then it travels at constant speed. Response of cheap valves is 10-30 ms, of good ones 4-5 ms.
"""

PULL_IN = 0.29  # 3.5 V / 12 V
DROP_OUT = 0.104  # 1.25 V / 12 V
COIL_S = 0.008  # full drive pulls in after 2.7 ms, a half drive drops out after 13 ms (a plain diode clamp); chosen
TRAVEL_S = 0.002
SLOW_TIMES = 9.0  # a fully slow valve takes ten times as long
SETTLED = 1e-9  # a coil this near to its drive is at it


class Valve:
    """`position` is 0 (vents) to 1 (pump joined); `drive` of 0 to 1 is the mean voltage over rated.

    `rests_at` is the drive under which nothing moves any more, or None: a step under it may be left out.
    """

    def __init__(self, c_dm3_s_bar: float = 0.3, b: float = 0.35):
        """Sonic conductance of either path in dm3/(s bar) (0.07 tiny to 0.7) and critical ratio (0.2 to 0.5)."""
        if not (0.005 <= c_dm3_s_bar <= 5.0 and 0.0 <= b <= 0.6):
            raise ValueError("a valve needs C of 0.005 to 5 dm3/(s bar) and b of 0 to 0.6")
        self.c_dm3_s_bar = c_dm3_s_bar
        self.b = b
        self.coil = 0.0
        self.energised = False
        self.travel = 0.0
        self.position = 0.0
        self.slow = 0.0
        self.stuck_open = 0.0
        self.stuck_shut = 0.0
        self.refresh()

    def refresh(self) -> None:
        """Recompute what follows from faults; call after changing one."""
        slow = 1.0 + SLOW_TIMES * self.slow
        self._coil_s = COIL_S * slow
        self._travel_s = TRAVEL_S * slow
        self.rests_at: float | None = None

    def step(self, drive: float, dt_s: float) -> float:
        """Advance by dt_s; implicit, any dt_s. Returns the position."""
        coil = self.coil
        coil += (drive - coil) * dt_s / (self._coil_s + dt_s)
        settled = -SETTLED < drive - coil < SETTLED
        self.coil = coil = drive if settled else coil
        if self.energised:
            if coil < DROP_OUT:
                self.energised = False
        elif coil > PULL_IN:
            self.energised = True
        travel = self.travel + (dt_s if self.energised else -dt_s) / self._travel_s
        if travel > 1.0:
            travel = 1.0
        elif travel < 0.0:
            travel = 0.0
        self.rests_at = drive if settled and travel == self.travel else None
        self.travel = travel
        position = travel
        if position < self.stuck_open:
            position = self.stuck_open
        if position > 1.0 - self.stuck_shut:
            position = 1.0 - self.stuck_shut
        self.position = position
        return position
