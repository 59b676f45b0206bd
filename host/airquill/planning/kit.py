"""What to lay out for a job: pieces, spares, strips of tape, places in the holder, what is short."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil

from airquill.errors import AirquillError
from airquill.planning.packages import Package

# Spare parts by the longer side of the body: (longest mm, share of the pieces, at least); common practice, no source.
SPARES = ((1.1, 0.10, 3), (2.1, 0.05, 2), (3.3, 0.03, 1), (1e9, 0.0, 0))
TAPE_ENDS_MM = 40.0  # of tape to hold on to, both ends together; common practice, no source
HOLDER_COLUMNS = 8


@dataclass(frozen=True)
class Line:
    """One value of one package in the kit. `stock` is None where no stock list was given or it lacks this line."""

    place: str
    value: str
    footprint: str
    package: Package
    pieces: int
    spare: int
    stock: int | None

    @property
    def needed(self) -> int:
        return self.pieces + self.spare

    @property
    def strip_mm(self) -> float:
        """Length of tape to cut, with ends to hold."""
        return self.needed * self.package.pitch_mm + TAPE_ENDS_MM

    @property
    def short(self) -> int:
        """Pieces that stock lacks; spares count."""
        return max(0, self.needed - self.stock) if self.stock is not None else 0


@dataclass(frozen=True)
class Want:
    """A value of a package and its pieces on one board, in the order of work."""

    value: str
    footprint: str
    package: Package
    pieces: int


def spare_of(package: Package, pieces: int, share: float | None = None) -> int:
    """Spare pieces: small parts get lost. `share` replaces the rule's share of pieces."""
    for longest, usual, least in SPARES:
        if package.length_mm <= longest:
            return max(least, ceil(pieces * (usual if share is None else share)))
    raise AssertionError("the last rule takes all")


def place_of(index: int) -> str:
    """Place in the holder: A1 to A8, B1 and so on; after Z8 come AA1."""
    row, column = divmod(index, HOLDER_COLUMNS)
    letters = ""
    row += 1
    while row:
        row, letter = divmod(row - 1, 26)
        letters = chr(65 + letter) + letters
    return f"{letters}{column + 1}"


def kit(
    wants: list[Want],
    boards: int,
    spare_share: float | None = None,
    stock: Mapping[tuple[str, str], int] | None = None,
) -> tuple[list[Line], list[str]]:
    """The kit for some boards, and stock lines that nothing needs. Raises AirquillError for a count that means nothing.

    Stock is found by value and package: the list names a footprint with or without its library, or the package.
    """
    if not 1 <= boards <= 100000:
        raise AirquillError(f"A job is of 1 to 100000 boards, not {boards}.")
    if spare_share is not None and not 0.0 <= spare_share <= 2.0:
        raise AirquillError(f"A share of spare parts is 0 to 200 %, not {100 * spare_share:g}.")
    left = {
        (_plain(value), _plain(footprint.rpartition(":")[2])): (f"{value} ({footprint})", count)
        for (value, footprint), count in (stock or {}).items()
    }
    lines = []
    for index, want in enumerate(wants):
        pieces = want.pieces * boards
        found = None
        for name in (want.footprint.rpartition(":")[2], want.package.name):
            entry = left.pop((_plain(want.value), _plain(name)), None)
            if entry is not None:
                found = entry[1] + (found or 0)
        if stock is not None and found is None:
            found = 0
        spare = spare_of(want.package, pieces, spare_share)
        lines.append(Line(place_of(index), want.value, want.footprint, want.package, pieces, spare, found))
    return lines, [said for said, _ in left.values()]


def _plain(text: str) -> str:
    # Case stays: 1m and 1M are two values.
    return "".join(text.split()).replace("Ω", "").replace("µ", "u").replace("μ", "u")
