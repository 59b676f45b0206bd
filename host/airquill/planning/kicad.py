"""KiCad board files, versions 5 to 9."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import atan2, cos, degrees, hypot, pi, radians, sin
from pathlib import Path

from airquill.errors import AirquillError
from airquill.planning.board import Board, Point, Site, says_left_out
from airquill.planning.sexpr import Node, child, children, parse, words

# Dates in a file's head: of the first KiCad 5 format, and the end of the year of KiCad 9's.
OLDEST_VERSION = 20171114
NEWEST_VERSION = 20241231
EDGES = "Edge.Cuts"
ARC_STEP_DEG = 7.5
_DRAWN = ("line", "rect", "circle", "arc", "poly", "curve")


def read_board(path: Path) -> Board:
    """The board in a .kicad_pcb file. Raises AirquillError for one that is damaged, of another version, or empty."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise AirquillError(f"{path} cannot be read: {error.strerror}.") from error
    except UnicodeDecodeError:
        raise AirquillError(f"{path} is no text in UTF-8, as KiCad writes it.") from None
    tree = parse(text, str(path))
    if tree[:1] != ["kicad_pcb"]:
        raise AirquillError(f"{path} is a KiCad file but no board. Name the .kicad_pcb file.")
    _check_version(words(child(tree, "version")), path)
    sites = tuple(site_of(node, path) for node in children(tree, "footprint", "module"))
    if not sites:
        raise AirquillError(f"{path} holds no footprint. Is it the board of this project?")
    footprints = list(children(tree, "footprint", "module"))
    edges = f"{path}: the outline"
    outline = [
        *_edges(tree, "gr_", EDGES, edges),
        *(edge for node in footprints for edge in _footprint_edges(node, edges)),
    ]
    notes = () if outline else (f"{path.name} has no outline on Edge.Cuts; the sheets draw a frame around the parts.",)
    return Board(path.stem, sites, tuple(outline), notes)


def _check_version(said: list[str], path: Path) -> None:
    if not said or not said[0].isdigit():
        raise AirquillError(f"{path} does not say of which version it is. Open it in KiCad and save it again.")
    version = int(said[0])
    if not OLDEST_VERSION <= version <= NEWEST_VERSION:
        age = "older" if version < OLDEST_VERSION else "newer"
        raise AirquillError(
            f"{path} has version {version}, which is {age} than KiCad 5 to 9. Save it with one of these, or export its "
            "positions as CSV and name that file."
        )


def site_of(node: Node, path: Path) -> Site:
    """A footprint (KiCad 5 calls it a module)."""
    name = words(node)[0] if words(node) else ""
    fields = _fields(node)
    reference, value = fields.get("reference", ""), fields.get("value", "")
    where = f"{path}: {reference or name}"
    at = _numbers(child(node, "at"), where)
    side = "bottom" if words(child(node, "layer"))[:1] == ["B.Cu"] else "top"
    marks = words(child(node, "attr"))
    pads = list(children(node, "pad"))
    kinds = {words(pad)[1] for pad in pads if len(words(pad)) > 1}
    kind, note = _kind(marks, kinds)
    extents = [_pad_extent(pad, where) for pad in pads]
    layer = "B.Fab" if side == "bottom" else "F.Fab"
    points = [point for edge in _edges(node, "fp_", layer, where) for point in edge]
    return Site(
        reference=reference,
        value=value,
        footprint=name,
        side=side,
        x_mm=at[0],
        y_mm=at[1],
        turn_deg=at[2] if len(at) > 2 else 0.0,
        kind=kind,
        left_out="dnp" in marks or says_left_out(value) or "dnp" in fields,
        outline=_around(points),
        pads=_around([corner for box in extents for corner in ((box[0], box[1]), (box[2], box[3]))]),
        pin1=_pin1(pads, where),
        note=note,
    )


def _fields(node: Node) -> dict[str, str]:
    """Reference, value and further fields by name in small letters: KiCad 8 has properties, those before have texts."""
    found = {}
    for item in children(node, "property"):
        said = words(item)
        if len(said) > 1:
            found[said[0].casefold()] = said[1]
    for item in children(node, "fp_text"):
        said = words(item)
        if len(said) > 1 and said[0] in ("reference", "value"):
            found[said[0]] = said[1]
    return found


def _kind(marks: list[str], pads: set[str]) -> tuple[str, str]:
    """Whether a part is placed on pads, goes through holes, or is none; and what is odd about it."""
    if "smd" in marks:
        return "smd", ""
    if "virtual" in marks or "exclude_from_pos_files" in marks or "board_only" in marks or not pads:
        return "none", ""
    if pads == {"smd"}:
        # Old libraries have no mark, and some mark wrongly: what has surface pads only is not soldered into holes.
        return "smd", "marked as through-hole, but all its pads are surface pads" if "through_hole" in marks else ""
    return ("none", "") if pads == {"np_thru_hole"} else ("through", "")


def _numbers(node: Node | None, where: str, least: int = 2) -> list[float]:
    try:
        found = [float(word) for word in words(node) if word not in ("unlocked", "locked")]
    except ValueError:
        raise AirquillError(f"{where}: {' '.join(words(node))} is no place or size. Is the file damaged?") from None
    if len(found) < least:
        raise AirquillError(f"{where} has no place or size. Is the file damaged?")
    return found


def _pad_extent(pad: Node, where: str) -> tuple[float, float, float, float]:
    x, y = _numbers(child(pad, "at"), where)[:2]
    width, height = _numbers(child(pad, "size"), where)[:2]
    if width <= 0.0 or height <= 0.0:
        raise AirquillError(
            f"{where}: a pad of {width:g} by {height:g} mm. Sizes are above zero; correct the footprint."
        )
    return x - width / 2, y - height / 2, x + width / 2, y + height / 2


def _pin1(pads: list[Node], where: str) -> Point | None:
    for pad in pads:
        if words(pad)[:1] in (["1"], ["K"], ["A1"]):
            x, y = _numbers(child(pad, "at"), where)[:2]
            return x, y
    return None


def _around(points: Iterable[Point]) -> tuple[float, float, float, float] | None:
    every = list(points)
    if not every:
        return None
    xs, ys = [x for x, _ in every], [y for _, y in every]
    return min(xs), min(ys), max(xs), max(ys)


def _footprint_edges(node: Node, where: str) -> Iterator[tuple[Point, ...]]:
    """What a footprint adds to the board's outline, where it stands."""
    edges = _edges(node, "fp_", EDGES, where)
    first = next(edges, None)
    if first is not None:
        at = _numbers(child(node, "at"), where)
        stand = Site("", "", "", x_mm=at[0], y_mm=at[1], turn_deg=at[2] if len(at) > 2 else 0.0)
        for edge in (first, *edges):
            yield tuple(stand.place(x, y) for x, y in edge)


def _edges(node: Node, prefix: str, layer: str, where: str) -> Iterator[tuple[Point, ...]]:
    """What is drawn on a layer, as paths."""
    for item in children(node, *(prefix + kind for kind in _DRAWN)):
        if words(child(item, "layer"))[:1] == [layer]:
            yield tuple(_path(str(item[0])[len(prefix) :], item, where))


def _path(kind: str, item: Node, where: str) -> list[Point]:
    def point(name: str) -> Point:
        numbers = _numbers(child(item, name), where)
        return numbers[0], numbers[1]

    if kind in ("poly", "curve"):
        corners = [_numbers(one, where) for one in children(child(item, "pts") or [], "xy")]
        points = [(corner[0], corner[1]) for corner in corners]
        return points + points[:1] if kind == "poly" else _bezier(points)
    if kind == "circle":
        centre, rim = point("center"), point("end")
        return _arc(centre, rim, 360.0)
    if kind == "arc":
        angle = child(item, "angle")
        if angle is not None:  # KiCad 5: `start` is the centre
            return _arc(point("start"), point("end"), _numbers(angle, where, 1)[0])
        return _arc_through(point("start"), point("mid"), point("end"))
    start, end = point("start"), point("end")
    if kind == "rect":
        return [start, (end[0], start[1]), end, (start[0], end[1]), start]
    return [start, end]


def _arc(centre: Point, start: Point, sweep_deg: float) -> list[Point]:
    radius = hypot(start[0] - centre[0], start[1] - centre[1])
    begin = atan2(start[1] - centre[1], start[0] - centre[0])
    steps = max(2, int(abs(sweep_deg) / ARC_STEP_DEG) + 1)
    angles = [begin + radians(sweep_deg) * step / steps for step in range(steps + 1)]
    return [(centre[0] + radius * cos(angle), centre[1] + radius * sin(angle)) for angle in angles]


def _arc_through(start: Point, mid: Point, end: Point) -> list[Point]:
    """The arc from start over mid to end; a straight line when they stand in one."""
    ax, ay = mid[0] - start[0], mid[1] - start[1]
    bx, by = end[0] - start[0], end[1] - start[1]
    cross = 2.0 * (ax * by - ay * bx)
    if abs(cross) < 1e-9:
        return [start, mid, end]
    a2, b2 = ax * ax + ay * ay, bx * bx + by * by
    centre = (start[0] + (by * a2 - ay * b2) / cross, start[1] + (ax * b2 - bx * a2) / cross)
    begin, over, last = (atan2(y - centre[1], x - centre[0]) for x, y in (start, mid, end))
    sweep = (last - begin) % (2 * pi)
    if (over - begin) % (2 * pi) > sweep:
        sweep -= 2 * pi
    return [start, *_arc(centre, start, degrees(sweep))[1:-1], end]


def _bezier(points: list[Point]) -> list[Point]:
    if len(points) != 4:
        return points
    path = []
    for step in range(13):
        t = step / 12
        weights = ((1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3)
        x, y = (sum(w * p[axis] for w, p in zip(weights, points, strict=True)) for axis in (0, 1))
        path.append((x, y))
    return path
