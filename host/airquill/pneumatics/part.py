"""The part on the tip: holding force, load cases, and what happens to it between tape and board.

Forces in mN, masses in mg, sizes in mm, vacuum in kPa: 1 kPa on 1 mm2 is 1 mN, 1 mg weighs 0.00981 mN.
Equal seeds give equal histories.
"""

from math import pi, sqrt

from . import flow
from .air import Air
from .ambient import GRAVITY
from .needles import Needle
from .sensor import Noise

NORMAL_ACCEL = 5.0  # m/s2, hand motion; from memory
FLICK_ACCEL = 20.0  # from memory
FRICTION = 0.25  # steel tip on a part body, 0.2 to 0.3 until measured; common practice, no source
SAFETY_SMOOTH = 1.5  # vacuum-cup makers' design guides
SAFETY_ROUGH = 2.0  # the same, rough or unsure
SAFETY_VERTICAL = 4.0  # common practice, no source
FIT_SHARE = 0.8  # needle outside over smallest top side, at most; common practice, no source
TACK_KPA = 20.0  # pull of fresh solder paste on the wetted area; from memory
WETTED_SHARE = 0.3  # of the body's footprint that stands in paste; chosen
ADHESION_MN = 0.002  # static and flux film between tip and body; chosen: about an 0201 chip's weight
SWALLOW_CHANCE = 0.5  # that a part which fits lengthwise through the bore turns that way; chosen
SEAL_DISCHARGE = 0.6  # of the gap under the rim; sharp-edged hole, textbook

LOADS = ("lift", "carry", "vertical")


class Part:
    """A body of a size in mm and mass in mg, with how well its top seals.

    `gap_um`: mean gap between rim and top, 0.5 for a smooth body, 5 for a rough one (chosen). `porous_mm2`: holes in
    the top that the rim cannot cover. ValueError for a size or mass that is not positive.
    """

    def __init__(
        self,
        length_mm: float,
        width_mm: float,
        height_mm: float,
        mass_mg: float,
        gap_um: float = 0.5,
        porous_mm2: float = 0.0,
    ):
        if min(length_mm, width_mm, height_mm, mass_mg) <= 0.0 or gap_um < 0.0 or porous_mm2 < 0.0:
            raise ValueError("a part needs a length, width, height and mass above zero")
        self.length_mm = length_mm
        self.width_mm = width_mm
        self.height_mm = height_mm
        self.mass_mg = mass_mg
        self.gap_um = gap_um
        self.porous_mm2 = porous_mm2

    @property
    def smallest_side_mm(self) -> float:
        """The shorter side of the top, mm."""
        return min(self.length_mm, self.width_mm)


def holding_force_mn(vacuum_kpa: float, bore_mm: float) -> float:
    """Vacuum times bore area, mN (physics)."""
    return vacuum_kpa * pi / 4.0 * bore_mm * bore_mm


def needed_force_mn(
    mass_mg: float, load: str = "carry", accel: float = NORMAL_ACCEL, friction: float = FRICTION, safety: float = 1.0
) -> float:
    """Force that just holds a part, times `safety`, mN.

    lift: m (g + a); carry, level: m (g + a / mu); vertical or tilted: m / mu (g + a). The first from vacuum-cup makers'
    design guides, the others from memory. `accel` in m/s2. ValueError for another load or no friction.
    """
    if friction <= 0.0:
        raise ValueError("friction must be above zero")
    if load == "lift":
        pull = GRAVITY + accel
    elif load == "carry":
        pull = GRAVITY + accel / friction
    elif load == "vertical":
        pull = (GRAVITY + accel) / friction
    else:
        raise ValueError("no load case is called %s; there are %s" % (load, ", ".join(LOADS)))
    return mass_mg * 1e-3 * pull * safety


def needed_vacuum_kpa(
    mass_mg: float,
    bore_mm: float,
    load: str = "carry",
    accel: float = NORMAL_ACCEL,
    friction: float = FRICTION,
    safety: float = SAFETY_ROUGH,
) -> float:
    """Vacuum that holds a part on a bore in a load case, kPa: needed_force_mn over the bore area."""
    return needed_force_mn(mass_mg, load, accel, friction, safety) / (pi / 4.0 * bore_mm * bore_mm)


def swallows(needle: Needle, part: Part) -> bool:
    """Whether the part can pass the bore: its smallest cross section's diagonal is below it."""
    sides = sorted((part.length_mm, part.width_mm, part.height_mm))
    return sqrt(sides[0] ** 2 + sides[1] ** 2) < needle.bore_mm


def fits(needle: Needle, part: Part) -> bool:
    """Whether a needle suits a part: rim at most FIT_SHARE of the smallest top side, and nothing to swallow."""
    return needle.outside_mm <= FIT_SHARE * part.smallest_side_mm and not swallows(needle, part)


def seal_share(needle: Needle, part: Part, gap_um: float) -> float:
    """Share of the needle's conductance that stays open with the part on the tip, 0 to 1.

    The gap under the rim (pi x bore x gap), pores, and the part of the bore that a narrow body leaves open are one
    hole in series with the needle (flow.series_c).
    """
    bore = needle.bore_mm
    area = pi * bore * gap_um * 1e-3 + part.porous_mm2
    narrow = part.smallest_side_mm / bore
    if narrow < 1.0:
        area += (1.0 - narrow) * pi / 4.0 * bore * bore
    hole = flow.orifice_c(sqrt(4.0 * area / pi), SEAL_DISCHARGE)
    return flow.series_c(needle.c, hole) / needle.c


class Tip:
    """What hangs on the tip of `air`. State: "open", "touching", "held" or "swallowed".

    A pick: touch(part), wait for vacuum, lift(). A placement: place(tack), vent, lift(). Between, step() every tick;
    `accel` and `load` tell what the hand does. `losses` and `swallowed` count.
    """

    def __init__(self, air: Air, seed: int = 1):
        self.air = air
        self.state = "open"
        self.part: Part | None = None
        self.accel = 0.0
        self.load = "carry"
        self.losses = 0
        self.swallowed = 0
        self._share = 1.0
        self._friction = FRICTION
        self._tack_mn = 0.0
        self._draw = Noise(seed)

    def touch(self, part: Part) -> None:
        """Put the tip on a part that lies loose; gap and friction are drawn. ValueError when the tip is not free."""
        if self.state != "open":
            raise ValueError("the tip is not free: it is %s" % self.state)
        self.part = part
        self.state = "touching"
        self._tack_mn = 0.0
        self._share = seal_share(self.air.needle, part, part.gap_um * (0.5 + self._draw.uniform()))
        self._friction = 0.2 + 0.1 * self._draw.uniform()
        self.air.tip_share = self._share

    def place(self, tack_kpa: float = 0.0) -> None:
        """Set the held part down, in paste of a tack in kPa (TACK_KPA for fresh paste) or dry. ValueError if none."""
        part = self.part
        if part is None or self.state != "held":
            raise ValueError("no part hangs on the tip")
        self.state = "touching"
        self._tack_mn = tack_kpa * WETTED_SHARE * part.length_mm * part.width_mm

    def force_mn(self) -> float:
        """Force that holds the part now, mN: vacuum under the part on the bore area, and adhesion.

        The flow past the part shares the drop between rim and needle as the squares of their conductances.
        """
        vacuum = self.air.pen_kpa * (1.0 - self._share * self._share)
        return holding_force_mn(vacuum, self.air.needle.bore_mm) + ADHESION_MN

    def lift(self) -> bool:
        """Take the tip away from the surface: True when the part comes along, against weight and tack."""
        part = self.part
        if part is None or self.state != "touching":
            return self.state == "held"
        if self.force_mn() > needed_force_mn(part.mass_mg, "lift", self.accel, self._friction) + self._tack_mn:
            self.state = "held"
            return True
        self._let_go()
        return False

    def step(self) -> bool:
        """Look at the part after an air step: True when it was lost or swallowed just now."""
        part = self.part
        if part is None or self.state == "swallowed":
            return False
        if self.state == "held":
            if self.force_mn() < needed_force_mn(part.mass_mg, self.load, self.accel, self._friction):
                self.losses += 1
                self._let_go()
                return True
        elif self.air.pen_kpa > 1.0 and self._tack_mn == 0.0 and swallows(self.air.needle, part):
            if self._draw.uniform() < SWALLOW_CHANCE:
                self.state = "swallowed"
                self.swallowed += 1
                # stuck in the needle: nearly, not wholly, shut, whatever touches the tip
                self.air.tip_share = 0.1
            else:
                self._let_go()
            return True
        return False

    def clean(self) -> None:
        """Clear the tip: whatever hangs on it or sticks in it is gone."""
        self._let_go()

    def _let_go(self) -> None:
        self.part = None
        self.state = "open"
        self._tack_mn = 0.0
        self._share = 1.0
        self.air.tip_share = 1.0
