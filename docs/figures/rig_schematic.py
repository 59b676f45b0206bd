"""Draws docs/rig.svg: what the rig is connected to, by its pins. Run it to write the figure anew."""

from __future__ import annotations

from html import escape
from pathlib import Path

WIDTH, HEIGHT = 1080, 620
PICO = (440, 40, 200, 540)
BOX = 230
# y, GPIO, what is at the pin, what that is connected to; left of the rig's Pico, then right.
LEFT = (
    (90, 2, "100 ohm, 10k to ground: Q1 (N)", "pedal 1: jack tip to ground"),
    (150, 3, "100 ohm, 10k to ground: Q2 (N)", "pedal 2: jack tip to ground"),
    (250, 6, "1k", "unit: gate of the pump"),
    (310, 7, "1k", "unit: gate of the valve"),
    (420, 28, "4.7k; 10k and 100 nF to ground", "reference vacuum sensor"),
)
RIGHT = (
    (90, 10, "1k, 10k to ground: Q3 (N), Q4 (P)", "12 V switch to the unit"),
    (150, 26, "10k; 3.3k and 100 nF to ground", "voltage behind the switch"),
    (210, 27, "1k, 100 nF to ground", "amplifier x 20 at 0.05 ohm"),
    (270, 10, "1k, 10k to ground: Q7 (N), Q8 (P)", "5 V switch in the unit's USB"),
    (330, 11, "100 ohm, 10k to ground: Q5 (N)", "valve that closes the tip"),
    (390, 12, "100 ohm, 10k to ground: Q6 (N)", "valve of the orifice"),
    (480, None, "USB", "PC; nothing else at VBUS, VSYS"),
)


def _line(x: int, y: int, to: int) -> str:
    return f'<line x1="{x}" y1="{y}" x2="{to}" y2="{y}" stroke="#222" stroke-width="1.6"/>'


def _text(x: int, y: int, text: str, anchor: str = "start", size: int = 13, bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x}" y="{y}" font-size="{size}" text-anchor="{anchor}"{weight}>{escape(text)}</text>'


def _box(x: int, y: int, text: str) -> list[str]:
    box = f'<rect x="{x}" y="{y - 22}" width="{BOX}" height="44" fill="#fff" stroke="#222" stroke-width="1.6"/>'
    return [box, _text(x + BOX // 2, y + 5, text, "middle")]


def drawing() -> str:
    """The figure as SVG."""
    x, y, w, h = PICO
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" fill="#222">',
        "<title>The rig's connections</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>',
        f'<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="#fff" stroke="#222" stroke-width="2"/>',
        _text(x + w // 2, y + 465, "Raspberry Pi Pico", "middle", 16, bold=True),
        _text(x + w // 2, y + 487, "the rig", "middle", 16),
        _text(x + w // 2, y + h - 16, "GND: unit, rig, 12 V together", "middle", 12),
    ]
    for at, gpio, part, what in LEFT:
        out += [_line(20 + BOX, at, x), _text(x + 8, at + 5, f"GPIO {gpio}"), *_box(20, at, what)]
        out.append(_text(x - 6, at - 7, part, "end", 10))
    for at, gpio, part, what in RIGHT:
        out += [_line(x + w, at, WIDTH - 20 - BOX), *_box(WIDTH - 20 - BOX, at, what)]
        out.append(_text(x + w - 8, at + 5, f"GPIO {gpio}" if gpio is not None else "USB", "end"))
        out.append(_text(x + w + 6, at - 7, part, "start", 10))
    return "\n".join([*out, "</svg>", ""])


if __name__ == "__main__":
    (Path(__file__).parents[1] / "rig.svg").write_text(drawing(), encoding="utf-8")
