"""Needle sizes: outside and inside diameter in mm by gauge.

ISO 9626 sizes, regular wall, as commonly tabulated; 33 and 34 from memory. The outside follows the gauge, the inside
follows the wall: a measured bore wins. Colours are no key: medical and dispensing needles use different ones.
"""

from . import flow

LENGTH_MM = 12.7  # half an inch, the usual dispensing needle; common practice, no source

NEEDLE_B = 0.5  # critical ratio that fits Fanno flow best over all gauges

# gauge: (outside, inside)
SIZES_MM = {
    14: (2.108, 1.600),
    15: (1.829, 1.372),
    16: (1.651, 1.194),
    17: (1.473, 1.067),
    18: (1.270, 0.838),
    19: (1.067, 0.686),
    20: (0.908, 0.603),
    21: (0.819, 0.514),
    22: (0.718, 0.413),
    23: (0.641, 0.337),
    24: (0.565, 0.311),
    25: (0.514, 0.260),
    26: (0.464, 0.260),
    27: (0.413, 0.210),
    28: (0.362, 0.184),
    29: (0.337, 0.184),
    30: (0.311, 0.159),
    31: (0.260, 0.133),
    32: (0.235, 0.108),
    33: (0.210, 0.108),
    34: (0.184, 0.083),
}

_tube_c: "dict[tuple[float, float], float]" = {}  # by bore and length: it takes a thousand steps to find


class Needle:
    """A blunt needle: a gauge, or 0 with a measured bore.

    Its air path is an ISO 6358 element (c_inertia, NEEDLE_B) with the laminar resistance of its bore in one tube
    (flow.with_friction); `c` is the sonic conductance of the whole in m3/(s Pa), `resistance` in Pa s/m3 at 20 C.
    """

    def __init__(
        self, gauge: int = 22, bore_mm: float | None = None, length_mm: float = LENGTH_MM, c_share: float = 1.0
    ):
        """`c_share`: what a measured needle passes over what its size says.

        Raise ValueError for a gauge that is not in the table and no bore given, and for a size or share that no needle
        has.
        """
        if bore_mm is None:
            if gauge not in SIZES_MM:
                raise ValueError("no needle of %s gauge is listed (14 to 34); give its bore in mm" % gauge)
            bore_mm = SIZES_MM[gauge][1]
        if not 0.03 <= bore_mm <= 3.0 or not 1.0 <= length_mm <= 100.0:
            raise ValueError("a needle needs a bore of 0.03 to 3 mm and a length of 1 to 100 mm")
        if not 0.05 <= c_share <= 5.0:
            raise ValueError("a needle passes 0.05 to 5 times what its size says")
        self.gauge = gauge
        self.c_share = c_share
        self.bore_mm = bore_mm
        self.outside_mm = SIZES_MM[gauge][0] if gauge in SIZES_MM else bore_mm * 1.6
        self.length_mm = length_mm
        key = (bore_mm, length_mm)
        if key not in _tube_c:
            _tube_c[key] = flow.tube_c(bore_mm, length_mm)
        c = _tube_c[key]
        resistance = flow.laminar_resistance(bore_mm, length_mm)
        self.c = c * c_share
        self.resistance = resistance / c_share
        self.c_inertia = flow.inertia_c(c, resistance) * c_share

    def throughput(self, upstream_pa: float, downstream_pa: float) -> float:
        """Throughput in Pa m3/s at 20 C from the higher to the lower of two pressures in Pa."""
        drop = upstream_pa - downstream_pa
        if drop <= 0.0:
            return 0.0
        inertia = flow.throughput(self.c_inertia, NEEDLE_B, upstream_pa, downstream_pa) / drop
        laminar = 0.5 * (upstream_pa + downstream_pa) / self.resistance
        return flow.with_friction(inertia, laminar) * drop
