"""Large characters for a terminal, made of blocks: figures and the words of states, to be read from across a bench.

A cell of the glyphs below is drawn `scale` columns wide and `scale` half rows high, since a terminal's column is about
half as wide as its row is high. At scale 2 that is five rows, some 20 mm on a usual screen; 12 mm can be read at two
metres (20 minutes of arc, the character height that ISO 9241-303 prefers, from memory).
"""

from __future__ import annotations

# Five rows each, separated by |.
_GLYPHS = {
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
    "-": "..|..|##|..|..",
    "C": ".##|#..|#..|#..|.##",
    "D": "##.|#.#|#.#|#.#|##.",
    "E": "###|#..|##.|#..|###",
    "H": "#.#|#.#|###|#.#|#.#",
    "I": "#|#|#|#|#",
    "K": "#.#|#.#|##.|#.#|#.#",
    "L": "#..|#..|#..|#..|###",
    "N": "#..#|##.#|#.##|#..#|#..#",
    "O": ".#.|#.#|#.#|#.#|.#.",
    "P": "##.|#.#|##.|#..|#..",
    "S": ".##|#..|.#.|..#|##.",
    "T": "###|.#.|.#.|.#.|.#.",
    "V": "#.#|#.#|#.#|#.#|.#.",
}
_ROWS = 5
_HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def columns_of(text: str, scale: int) -> int:
    """How wide a text gets. KeyError for a character that has no glyph."""
    return scale * (sum(len(_GLYPHS[character].split("|")[0]) + 1 for character in text) - 1) if text else 0


def rows_of(scale: int) -> int:
    """How high any text gets."""
    return (_ROWS * scale + 1) // 2


def blocks(text: str, scale: int) -> list[str]:
    """A text in large characters, `rows_of(scale)` lines. KeyError for a character that has no glyph."""
    glyphs = [_GLYPHS[character].split("|") for character in text]
    cells = [".".join(glyph[row] for glyph in glyphs) for row in range(_ROWS)]
    halves = [_widened(row, scale) for row in cells for _ in range(scale)]
    if len(halves) % 2:
        halves.append([False] * len(halves[0]))
    return [
        "".join(_HALVES[pair] for pair in zip(upper, lower, strict=True))
        for upper, lower in zip(halves[::2], halves[1::2], strict=True)
    ]


def _widened(row: str, scale: int) -> list[bool]:
    return [cell == "#" for cell in row for _ in range(scale)]
