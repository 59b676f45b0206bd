"""The picture of `airquill watch`: what must be read from across the bench is large, the rest beside it or below."""

from __future__ import annotations

from collections.abc import Iterable
from textwrap import wrap

from rich.console import Console, ConsoleOptions, RenderResult
from rich.text import Text

from airquill.live.scene import Scene
from airquill.report.blocks import blocks, columns_of, rows_of
from airquill.report.plain import printable
from airquill.report.textplot import text_plot

COLOURS = {"good": "green", "look": "yellow", "bad": "red", "": "cyan"}
MARKS = {"good": "●", "look": "▲", "bad": "■", "": "○"}
_SIDE_COLUMNS = 27
_LEAST_PLOT_ROWS = 2
_MOST_PLOT_ROWS = 20
_SCALE_COLUMN = 8  # of text_plot: its scale stands left of the plot
_NOTICE_ROWS = 3


class View:
    """The scene as something that rich shows, laid out for the terminal of the moment."""

    def __init__(self, scene: Scene) -> None:
        self._scene = scene

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        width, height = options.max_width, max(console.size.height - 1, 5)
        for line in picture(self._scene, width, height):
            line.truncate(width)
            yield line


def picture(scene: Scene, width: int, height: int) -> list[Text]:
    """At most `height` lines of `width` columns; what finds no room is left out from the bottom of the middle."""
    head, foot = [_head(scene, width)], _foot(scene, width)
    room = height - len(head) - len(foot)
    body = _vacuum(scene, width, room) if scene.sensor else _states(scene, width, room)
    body = body[: max(room, 0)]
    return [*head, *body, *(Text() for _ in range(room - len(body))), *foot][:height]


def _head(scene: Scene, width: int) -> Text:
    name = printable(scene.preset_names.get(scene.preset, ""), 16)
    preset = f"preset {scene.preset}{f' {name}' if name else ''}, {scene.strength_pct:g} %"
    left = "  ".join(part for part in (printable(scene.name, 24), preset) if part)
    minutes, seconds = divmod(int(scene.at_s), 60)
    right = f"{'● recording  ' if scene.recording else ''}{minutes}:{seconds:02d}"
    if len(left) + len(right) + 2 > width:
        return Text(left[:width], style="bold")
    line = Text(left, style="bold")
    line.append(" " * (width - len(left) - len(right)))
    line.append(right, style="red" if scene.recording else "dim")
    return line


def _foot(scene: Scene, width: int) -> list[Text]:
    """Notices, or what keeps them; how to leave."""
    lines: list[Text] = []
    if scene.fault:
        lines += _told(scene.fault, "■", "bold red", width)
    for notice in scene.notices[:2]:
        lines += _told(notice.sentence, "▲", "yellow", width)
    if not lines and scene.sensor:
        waits = f"{scene.waiting} more picks until changes can be told" if scene.waiting else "no change over the picks"
        lines.append(Text(f"○ {waits}"[:width], style="dim"))
    return [*lines, Text("Ctrl-C leaves", style="dim")]


def _told(sentence: str, mark: str, style: str, width: int) -> list[Text]:
    rows = wrap(f"{mark} {sentence}", max(width, 10), subsequent_indent="  ", max_lines=_NOTICE_ROWS, placeholder=" …")
    return [Text(row, style=style) for row in rows]


def _vacuum(scene: Scene, width: int, room: int) -> list[Text]:
    """The number, facts beside or below it, and the last seconds as a plot."""
    # `or` turns -0.0 into 0.0.
    number = "-" if scene.kpa is None else f"{round(scene.kpa, 1) or 0.0:.1f}"
    scale = _scale(number, width, room)
    style = f"bold {COLOURS[scene.mood]}"
    large = [Text(row, style=style) for row in blocks(number, scale)]
    badge = Text(f"{MARKS[scene.mood]} {scene.word.upper()}", style=f"{style} reverse")
    facts = [Text("kPa below ambient", style="dim"), badge, *_facts(scene)]
    beside = width - columns_of("88.8", scale) - 3 >= _SIDE_COLUMNS
    lines = [Text(), *(_side_by_side(large, facts, columns_of("88.8", scale) + 3) if beside else [*large, *facts])]
    rows = min(room - len(lines) - 3, _MOST_PLOT_ROWS)
    if rows >= _LEAST_PLOT_ROWS and scene.trace.at_s and width > 2 * _SCALE_COLUMN:
        plot = text_plot(scene.window(), columns=width - _SCALE_COLUMN, rows=rows)
        lines += [Text(), *(Text(line, style="" if n == len(plot) - 1 else COLOURS[""]) for n, line in enumerate(plot))]
    return lines


_LARGE = {"idle": "IDLE", "picking": "PICK", "holding": "HOLD", "releasing": "VENT", "stopped": "STOP"}


def _states(scene: Scene, width: int, room: int) -> list[Text]:
    """Without a sensor: the state as a large word, and large numbers for pump and counts."""
    word = _LARGE.get(scene.state, "")
    scale = next((size for size in (3, 2) if columns_of("HOLD", size) <= width and 3 * rows_of(size) <= room), 1)
    style = f"bold {COLOURS[scene.mood]}"
    lines = [
        Text("state; this unit has no vacuum sensor", style="dim"),
        *(Text(row, style=style) for row in blocks(word, scale)),
        Text(f"{MARKS[scene.mood]} {scene.word.upper()}", style=f"{style} reverse"),
        Text(),
    ]
    counts = (("pump %", f"{scene.pump_pct:.0f}"), ("picks", str(scene.picks)), ("released", str(scene.released)))
    each = [max(columns_of(number, scale), len(label)) + 4 for label, number in counts]
    if sum(each) <= width and room >= len(lines) + 1 + rows_of(scale):
        lines.append(_joined((label for label, _ in counts), each, "dim"))
        columns = [blocks(number, scale) for _, number in counts]
        lines += [_joined((column[row] for column in columns), each, "bold") for row in range(rows_of(scale))]
        lines.append(Text())
    return [*lines, *_facts(scene)]


def _joined(cells: Iterable[str], widths: Iterable[int], style: str) -> Text:
    return Text("".join(f"{cell:<{width}}" for cell, width in zip(cells, widths, strict=True)), style=style)


def _scale(number: str, width: int, room: int) -> int:
    """The largest characters that leave room for facts and a plot of some height."""
    for scale in (5, 4, 3, 2):
        beside = width - columns_of("88.8", scale) - 3 >= _SIDE_COLUMNS
        below = 0 if beside else 2 + len(_FACTS)
        if columns_of(number, scale) <= width and rows_of(scale) + below + _LEAST_PLOT_ROWS + 5 <= room:
            return scale
    return 2 if columns_of(number, 2) <= width and rows_of(2) + 3 <= room else 1


_FACTS = ("pump", "pedals", "picks", "misses", "supply")


def _facts(scene: Scene) -> list[Text]:
    valve = "valve on" if scene.valve_pct else "valve off"
    pedals = ", ".join(f"{pedal} {'down' if down else 'up'}" for pedal, down in sorted(scene.pedals.items()))
    last = scene.last_pick
    level = f"last {last.level_kpa:.1f} kPa" if last is not None and last.level_kpa is not None else ""
    supply = f"supply {scene.supply_v:.1f} V" if scene.supply_v is not None else ""
    lines = [
        f"pump {scene.pump_pct:.0f} %, {valve}",
        f"pedals {pedals}" if pedals else "",
        f"picks {scene.picks}, released {scene.released}",
        f"missed {scene.misses}, lost {scene.losses}",
        "  ".join(part for part in (level, supply) if part),
    ]
    return [Text(line) for line in lines if line]


def _side_by_side(left: list[Text], right: list[Text], column: int) -> list[Text]:
    lines = []
    for n in range(max(len(left), len(right))):
        line = left[n].copy() if n < len(left) else Text()
        line.append(" " * (column - line.cell_len))
        lines.append(Text.assemble(line, right[n] if n < len(right) else Text()))
    return lines
