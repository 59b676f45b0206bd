"""The picture of `airquill watch`: a number to be read from across the bench, a bar, the rest small."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from rich.console import Group
from rich.text import Text

from airquill.link.convert import Value, plain

BAR_COLUMNS = 50
FULL_KPA = 60  # a bit beyond what a small diaphragm pump reaches; common practice, no source

# Rows of three columns a digit; a filled cell is drawn two columns wide, since a column is half as wide as high.
_DIGITS = {
    "0": "###|#.#|#.#|#.#|###",
    "1": ".#.|##.|.#.|.#.|###",
    "2": "###|..#|###|#..|###",
    "3": "###|..#|.##|..#|###",
    "4": "#.#|#.#|###|..#|..#",
    "5": "###|#..|###|..#|###",
    "6": "###|#..|###|#.#|###",
    "7": "###|..#|.#.|.#.|.#.",
    "8": "###|#.#|###|#.#|###",
    "9": "###|#.#|###|..#|###",
    ".": ".|.|.|.|#",
    "-": "...|...|###|...|...",
}


def big(text: str) -> str:
    """Digits, point and minus as five rows of blocks."""
    glyphs = [_DIGITS[character].split("|") for character in text if character in _DIGITS]
    rows = ("  ".join(glyph[row] for glyph in glyphs) for row in range(5))
    return "\n".join("".join("██" if cell == "#" else " " if cell == " " else "  " for cell in row) for row in rows)


def bar(kpa: Value) -> str:
    """Vacuum from 0 to FULL_KPA as a bar."""
    share = min(max(float(kpa) / FULL_KPA, 0.0), 1.0) if isinstance(kpa, Decimal | int) else 0.0
    filled = round(share * BAR_COLUMNS)
    return "━" * filled + "─" * (BAR_COLUMNS - filled)


def picture(readings: dict[str, Value], grip_colours: dict[str, str]) -> Any:
    """What stands on the screen now."""
    kpa = readings.get("vacuum.kpa")
    colour = grip_colours.get(str(readings.get("cycle.grip")), "cyan")
    # `or` turns -0.0 into 0.0.
    number = big(f"{round(kpa, 1) or Decimal(0):.1f}") if isinstance(kpa, Decimal) else "no sensor"
    small = "   ".join(f"{path} {plain(value)}" for path, value in readings.items() if path != "vacuum.kpa")
    return Group(
        Text("kPa below ambient", style="dim"),
        Text(number, style=f"bold {colour}"),
        Text(),
        Text(f"0 {bar(kpa)} {FULL_KPA}", style=colour),
        Text(small),
        Text("Ctrl-C leaves", style="dim"),
    )
