"""A 12 V diaphragm vacuum pump: curve, speed over duty, floor, start, wear, temperature.

The pump moves a fixed volume a turn, so its throughput is free_flow x speed x (p - p_end) / (p_amb - p_end) x p_amb:
volume flow falls with vacuum along a straight line (shape published, the line itself from memory, 10-15 %), or bulges
by `curvature` k: (1 - y)(1 + k y) with y = vacuum / end vacuum. The end vacuum is the same share of ambient at every
altitude. Leak back through its own check valves makes the end vacuum fall with speed and wear:
end = end_rated (1 + l) / (1 + l_worn / speed), a balance of one leak against a flow that scales with speed.
"""

RATED_VOLTS = 12.0
START_DUTY = 0.5  # starts from standstill at 40-60 %; from memory
FLOOR_DUTY = 0.28  # stalls below 25-40 %; from memory
FRICTION_DUTY = 0.1  # drive that only turns the dry pump over; chosen
BACK_LEAK = 0.15  # share of free flow that leaks back at the end vacuum, full speed; chosen
MOST_SPEED = 1.2  # of rated, at too high a supply: beyond, the check valves no longer follow; chosen
SPIN_UP_S = 0.06
SPIN_DOWN_S = 0.12
HEAT_K = 35.0  # case above ambient after a long run at full drive; from memory
HEAT_S = 900.0
HOT_LOSS_PER_K = 0.002  # flow lost per kelvin of case above ambient; from memory


class Pump:
    """Rated figures and slow state of one pump. `speed`: 0 to MOST_SPEED of rated; `heat_k`: case above ambient."""

    def __init__(
        self,
        free_flow_lpm: float = 5.0,
        end_kpa: float = 65.0,
        curvature: float = 0.0,
        start_duty: float = START_DUTY,
        floor_duty: float = FLOOR_DUTY,
        friction_duty: float = FRICTION_DUTY,
    ):
        """Free flow in L/min of ambient air and end vacuum in kPa at sea level, both at rated voltage; duties as above.

        Valid: 0.1-30 L/min, 5-98 kPa, curvature -0.9 to 1, duties 0 to 1, friction below 0.9; ValueError otherwise.
        """
        if not (0.1 <= free_flow_lpm <= 30.0 and 5.0 <= end_kpa <= 98.0 and -0.9 <= curvature <= 1.0):
            raise ValueError("a pump needs 0.1 to 30 L/min, 5 to 98 kPa and a curvature of -0.9 to 1")
        if not (0.0 <= start_duty <= 1.0 and 0.0 <= floor_duty <= 1.0 and 0.0 <= friction_duty <= 0.9):
            raise ValueError("a pump starts, stalls and is held by friction at a duty of 0 to 1")
        self.free_flow_lpm = free_flow_lpm
        self.end_kpa = end_kpa
        self.curvature = curvature
        self._sound_duties = (start_duty, floor_duty, friction_duty)
        self.wear = 0.0
        self.stall = 0.0
        self.speed = 0.0
        self.heat_k = 0.0
        self.refresh()

    def refresh(self) -> None:
        """Recompute what follows from ratings and faults; call after changing one."""
        self.free_flow = self.free_flow_lpm / 60000.0 * (1.0 - 0.6 * self.wear)  # m3/s
        self.end_share = self.end_kpa * 1000.0 / 101325.0 * (1.0 + BACK_LEAK)
        self.leak_share = BACK_LEAK + self.wear
        start, floor, friction = self._sound_duties
        self.start_duty = start + (1.0 - start) * self.stall
        self.floor_duty = floor + (1.0 - floor) * self.stall
        self.friction_duty = min(friction + 0.5 * self.stall, 0.95)
        self._drive = -1.0
        self._dt_s = 0.0

    def _aim(self, drive: float, dt_s: float) -> None:
        """Work out once where a drive leads and what share of the way a step takes."""
        target = (drive - self.friction_duty) / (1.0 - self.friction_duty)
        self._target = min(max(target, 0.0), MOST_SPEED)
        # below this speed the drive cannot turn it
        self._least_speed = 2.0 * MOST_SPEED if drive < self.floor_duty else 0.02 if drive < self.start_duty else 0.0
        self._heat_end = HEAT_K * drive * drive
        self._up = dt_s / (SPIN_UP_S + dt_s)
        self._down = SPIN_DOWN_S / (SPIN_DOWN_S + dt_s)
        self._warm = dt_s / (HEAT_S + dt_s)
        self._drive = drive
        self._dt_s = dt_s

    def step(self, drive: float, dt_s: float) -> float:
        """Advance speed and heat by dt_s under a drive of 0 to 1 (mean voltage over rated); implicit, any dt_s."""
        if drive != self._drive or dt_s != self._dt_s:
            self._aim(drive, dt_s)
        speed = self.speed
        if speed >= self._least_speed:
            speed += (self._target - speed) * self._up
        else:
            speed *= self._down
            if speed < 1e-6:
                speed = 0.0
        self.speed = speed
        self.heat_k += (self._heat_end - self.heat_k) * self._warm
        return speed
