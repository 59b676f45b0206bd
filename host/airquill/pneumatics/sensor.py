"""Vacuum sensor and converter: vacuum in kPa to a code of 0 to 65535.

code = zero_code + vacuum / span_kpa x 65536, after a first-order lag, with noise, then cut to the converter's bits. The
defaults agree with the settings sensor.zero_code and sensor.span_kpa, so a unit with factory settings reads right.
Real converters reach about 8.7 effective bits with steps at codes 512, 1536, 2560 and 3584 of 4096: about 0.3 kPa of
100 (published for this chip); here as noise of 0.1 kPa and a 12-bit cut without those steps.
"""

NOISE_KPA = 0.1
DRIFT_KPA = 8.0  # zero shift at fault strength 1
NOISY_KPA = 4.0  # standard deviation added at strength 1
SENSOR_FAULTS = ("sensor_drift", "sensor_dead", "sensor_noisy")


class Noise:
    """Small pseudo-random source with the same numbers on every interpreter (xorshift32, Marsaglia 2003)."""

    def __init__(self, seed: int = 1):
        """Any integer seed; equal seeds give equal numbers."""
        self._state = (seed * 2654435761 + 88172645) & 0xFFFFFFFF or 1
        for _ in range(8):
            self.uniform()

    def uniform(self) -> float:
        """A number from 0 up to 1."""
        x = self._state
        x ^= (x << 13) & 0xFFFFFFFF
        x ^= x >> 17
        x ^= (x << 5) & 0xFFFFFFFF
        self._state = x
        return x * 2.3283064365386963e-10

    def normal(self) -> float:
        """Mean 0, standard deviation 1, cut at 3.46: sum of four uniform numbers, scaled (Irwin and Hall)."""
        total = self.uniform() + self.uniform() + self.uniform() + self.uniform()
        return (total - 2.0) * 1.7320508075688772


class Sensor:
    """Feed step() with the true vacuum; read code()."""

    def __init__(
        self,
        zero_code: int = 3277,
        span_kpa: float = 108.8,
        noise_kpa: float = NOISE_KPA,
        lag_s: float = 0.001,
        bits: int = 12,
        seed: int = 1,
    ):
        """`span_kpa`: vacuum that the whole code range stands for. ValueError for an empty span or odd bit count."""
        if span_kpa <= 0.0 or not 6 <= bits <= 16:
            raise ValueError("a sensor needs a span above 0 kPa and 6 to 16 bits")
        self.zero_code = zero_code
        self.span_kpa = span_kpa
        self.noise_kpa = noise_kpa
        self.lag_s = lag_s
        self.bits = bits
        self.vacuum_kpa = 0.0  # behind the lag
        self.faults = dict((name, 0.0) for name in SENSOR_FAULTS)
        self._noise = Noise(seed)

    def set_fault(self, name: str, strength: float) -> None:
        """Set a fault's strength, 0 to 1. ValueError for a bad name or strength."""
        if name not in self.faults:
            raise ValueError("no fault of the sensor is called %s; there are %s" % (name, ", ".join(SENSOR_FAULTS)))
        if not 0.0 <= strength <= 1.0:
            raise ValueError("the strength of %s must be 0 to 1" % name)
        self.faults[name] = float(strength)

    def step(self, vacuum_kpa: float, dt_s: float) -> None:
        """Follow the true vacuum for dt_s (implicit, any dt_s)."""
        self.vacuum_kpa += (vacuum_kpa - self.vacuum_kpa) * dt_s / (self.lag_s + dt_s)

    def code(self) -> int:
        """One conversion, 0 to 65535; a dying sensor (`sensor_dead`) loses span, a dead one reads 0."""
        faults = self.faults
        dead = faults["sensor_dead"]
        if dead >= 1.0:
            return 0
        sigma = self.noise_kpa + NOISY_KPA * faults["sensor_noisy"]
        shown = self.vacuum_kpa + DRIFT_KPA * faults["sensor_drift"] + sigma * self._noise.normal()
        code = (self.zero_code + shown / self.span_kpa * 65536.0) * (1.0 - dead)
        if code < 0.0:
            return 0
        if code > 65535.0:
            return 65535
        drop = 16 - self.bits
        kept = int(code) >> drop
        # the low bits repeat the high ones, so that full scale is 65535
        return kept << drop | kept >> (self.bits - drop if self.bits > drop else 0)

    def reading_kpa(self) -> float:
        """One conversion read back with the nominal zero and span, kPa."""
        return (self.code() - self.zero_code) / 65536.0 * self.span_kpa
