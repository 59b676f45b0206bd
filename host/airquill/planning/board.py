"""A board as it is planned for: where which part goes. Sizes in mm, angles in degrees; y points down, as in KiCad."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from math import cos, radians, sin

Point = tuple[float, float]

# What people write into a value when nothing is to be placed; common practice, no source.
_LEFT_OUT = re.compile(
    r"(^|[\s,;/(\[])(DN[PFIS]|NOFIT|not? (placed?|populated?|fitted|stuffed)|do not \w+)($|[\s,;/)\]])", re.I
)


@dataclass(frozen=True)
class Site:
    """One footprint of a board, or one line of a list.

    `x_mm`, `y_mm` are None where a list gives no positions. `outline` is the body as the file draws it, around the
    footprint's origin and unturned; `pin1` the place of its first pad. `kind` is "smd", "through" or "none" (no part).
    """

    reference: str
    value: str
    footprint: str
    side: str = "top"
    x_mm: float | None = None
    y_mm: float | None = None
    turn_deg: float = 0.0
    kind: str = "smd"
    left_out: bool = False
    outline: tuple[float, float, float, float] | None = None  # of the body: left, upper, right, lower
    pads: tuple[float, float, float, float] | None = None
    pin1: Point | None = None
    note: str = ""

    @property
    def body_mm(self) -> tuple[float, float] | None:
        """Longer and shorter side of the drawn body."""
        if self.outline is None:
            return None
        left, upper, right, lower = self.outline
        sides = sorted((right - left, lower - upper))
        return (round(sides[1], 3), round(sides[0], 3))

    def place(self, x: float, y: float) -> Point:
        """A point of the footprint on the board; positive angles turn counter-clockwise on the screen, as in KiCad."""
        c, s = cos(radians(self.turn_deg)), sin(radians(self.turn_deg))
        return (self.x_mm or 0.0) + x * c + y * s, (self.y_mm or 0.0) - x * s + y * c


@dataclass(frozen=True)
class Board:
    """All sites of a board and its outline as paths of points. `notes` say what was assumed while reading it."""

    name: str
    sites: tuple[Site, ...]
    outline: tuple[tuple[Point, ...], ...] = ()
    notes: tuple[str, ...] = field(default=())


def says_left_out(*texts: str) -> bool:
    """Whether a value or note says that the part is not to be placed."""
    return any(_LEFT_OUT.search(text) for text in texts)
