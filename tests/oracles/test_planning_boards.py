"""Boards and packages against KiCad's own demos and library (Debian's kicad-demos and kicad-footprints 6.0.11), read by
kiutils 1.4.8, and an outline against a rendering by gerbonara 1.6.3."""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from math import hypot, pi
from pathlib import Path
from typing import Any

import pytest

from airquill.planning.board import Site
from airquill.planning.choice import Bench
from airquill.planning.kicad import read_board, site_of
from airquill.planning.packages import load_knowledge
from airquill.planning.plan import make_plan
from airquill.planning.sexpr import parse
from conftest import require

try:
    import gerbonara
    from gerbonara.cad.kicad.pcb import Board as GerbonaraBoard
    from gerbonara.utils import MM, sum_bounds
except ImportError:
    gerbonara = None
try:
    from kiutils.board import Board as KiutilsBoard
except ImportError:
    KiutilsBoard = None

DEMOS = Path("/usr/share/kicad/demos")
LIBRARY = Path("/usr/share/kicad/footprints")
HEATHER = Path(__file__).parents[1] / "planning/heather/heather.kicad_pcb"
NEED_DEMOS = "needs KiCad's demo boards: apt-get install --no-install-recommends kicad-demos"
NEED_LIBRARY = "needs KiCad's footprints: apt-get install --no-install-recommends kicad-footprints"
NEED_KIUTILS = "needs kiutils: pip install kiutils"
NEED_GERBONARA = "needs gerbonara: pip install gerbonara"

# Board, and the parts that KiCad marks as surface-mounted (counted with grep by hand).
BOARDS = {
    "stickhub/StickHub": 84,
    "video/video": 140,
    "kit-dev-coldfire-xilinx_5213/kit-dev-coldfire-xilinx_5213": 119,
    "test_xil_95108/carte_test": 8,
    "custom_pads_test/custom_pads_test": 1,
}


@cache
def by_kiutils(path: Path) -> Any:
    return KiutilsBoard.from_file(str(path))


def demo(name: str) -> Path:
    path = DEMOS / f"{name}.kicad_pcb"
    require(path.is_file(), NEED_DEMOS)
    return path


@pytest.mark.parametrize(("name", "marked"), BOARDS.items(), ids=lambda value: str(value).rpartition("/")[2])
def test_every_surface_mounted_part_is_accounted_for(name: str, marked: int) -> None:
    path = demo(name)
    require(KiutilsBoard, NEED_KIUTILS)
    theirs = by_kiutils(path).footprints
    board = read_board(path)
    plan = make_plan(board, load_knowledge(), Bench(), boards=20)

    assert len(board.sites) == len(theirs)
    smd = [one for one in theirs if one.attributes.type == "smd"]
    assert len(smd) == marked
    by_pads = [
        one
        for one in theirs
        if one.attributes.type != "smd"
        and not one.attributes.excludeFromPosFiles
        and one.pads
        and all(pad.type == "smd" for pad in one.pads)
    ]
    ways = [site for step in plan.steps for site in step.sites] + [*plan.unknown, *plan.left_out]
    places = sorted((round(site.x_mm or 0, 4), round(site.y_mm or 0, 4)) for site in ways)
    assert places == sorted((round(one.position.X, 4), round(one.position.Y, 4)) for one in smd + by_pads)
    everywhere = len(ways) + len(plan.through) + len(plan.no_part)
    assert everywhere == len(theirs)
    assert sum(site.side == "bottom" for site in board.sites) == sum(one.layer == "B.Cu" for one in theirs)


def test_a_board_of_kicad_5_is_read_where_kiutils_finds_nothing() -> None:
    path = demo("microwave/microwave")
    require(KiutilsBoard, NEED_KIUTILS)
    assert by_kiutils(path).footprints == []
    sites = read_board(path).sites
    # counted by grep: four modules called POLY, all pads smd
    assert [site.footprint for site in sites] == ["POLY"] * 4
    assert {site.kind for site in sites} == {"smd"}


@pytest.mark.parametrize("path", sorted(DEMOS.glob("*/*.kicad_pcb")), ids=lambda path: path.stem)
def test_every_demo_board_is_read(path: Path) -> None:
    board = read_board(path)
    text = path.read_text()
    assert len(board.sites) == text.count("\n  (footprint ") + text.count("\n  (module ")
    assert board.outline


def track_ends(path: Path) -> dict[int, set[tuple[float, float]]]:
    """Ends of the copper tracks by net, as kiutils reads them."""
    ends: dict[int, set[tuple[float, float]]] = {}
    for item in by_kiutils(path).traceItems:
        for end in (getattr(item, "start", None), getattr(item, "end", None), getattr(item, "position", None)):
            if end is not None:
                ends.setdefault(item.net, set()).add((end.X, end.Y))
    return ends


@pytest.mark.parametrize("name", ["stickhub/StickHub", "video/video"])
def test_tracks_end_on_the_pads_where_they_are_said_to_be(name: str) -> None:
    """KiCad's tracks end within a pad of their net: turned parts and those on the bottom stand as KiCad means them."""
    path = demo(name)
    require(KiutilsBoard, NEED_KIUTILS)
    ends = track_ends(path)
    hits = {False: 0, True: 0}
    mirrored = 0
    turned = 0
    for site, theirs in zip(read_board(path).sites, by_kiutils(path).footprints, strict=True):
        first = next((pad for pad in theirs.pads if pad.number == "1" and pad.net), None)
        if first is None or site.pin1 is None or site.turn_deg % 180 == 0 or first.net.number not in ends:
            continue
        reach = max(first.size.X, first.size.Y) / 2
        wrong = Site("", "", "", x_mm=site.x_mm, y_mm=site.y_mm, turn_deg=-site.turn_deg)
        turned += 1
        near = [
            min(hypot(x - a, y - b) for a, b in ends[first.net.number]) <= reach
            for x, y in (site.place(*site.pin1), wrong.place(*site.pin1))
        ]
        hits[site.side == "bottom"] += near[0]
        mirrored += near[1]
    assert turned > 30
    assert hits[False] > 0 and hits[True] > 0
    assert sum(hits.values()) > 0.85 * turned
    assert mirrored < 0.5 * turned, "the check would not see a wrong turn"


def test_outline_and_pads_are_where_gerbonara_draws_them() -> None:
    require(gerbonara, NEED_GERBONARA)
    theirs = GerbonaraBoard.open(str(HEATHER))
    drawn = [
        fragment
        for item in theirs.graphic_objects()
        if item.layer == "Edge.Cuts"
        for fragment in item.render(variables={})
    ]
    (left, low), (right, high) = sum_bounds([fragment.bounding_box(MM) for fragment in drawn])
    board = read_board(HEATHER)
    half = 0.05  # of the line's width, which a rendering includes
    xs = [x for path in board.outline for x, _ in path]
    ys = [y for path in board.outline for _, y in path]
    mine = (min(xs) - half, min(ys) - half, max(xs) + half, max(ys) + half)
    # a rendering's Y points up
    assert mine == pytest.approx((left, -high, right, -low), abs=0.01)
    # straight sides and four quarters of a circle of 3 mm
    length = sum(hypot(b[0] - a[0], b[1] - a[1]) for path in board.outline for a, b in pairwise(path))
    assert length == pytest.approx(2 * (50 + 36) + 2 * pi * 3, rel=1e-3)

    layers = {"F.Cu": ("top", "copper"), "B.Cu": ("bottom", "copper")}
    compared = 0
    for footprint, site in zip(theirs.footprints, board.sites, strict=True):
        # gerbonara turns a footprint the other way round than the tracks of KiCad's demos say, see above
        if site.pin1 is None or site.turn_deg % 180:
            continue
        stack = gerbonara.LayerStack()
        footprint.render(stack, layers, y=-2 * footprint.at.y)
        x, y = site.place(*site.pin1)
        spots = [
            (item.x, -item.y)
            for layer in layers.values()
            for item in stack[layer].objects
            if isinstance(item, gerbonara.graphic_objects.Flash)
        ]
        assert min(hypot(x - a, y - b) for a, b in spots) < 1e-3, site.reference
        compared += 1
    assert compared > 20


def test_bodies_are_those_of_kicads_library() -> None:
    """The outline on F.Fab of all footprints that are taken for a package; 5 % or 0.25 mm, as nominal sizes go."""
    require(LIBRARY.is_dir(), NEED_LIBRARY)
    knowledge = load_knowledge()
    found: dict[str, int] = {}
    for path in sorted(LIBRARY.glob("*.pretty/*.kicad_mod")):
        package = knowledge.find(path.stem)
        if package is None:
            continue
        node = parse(path.read_text(), path.name)
        node.append(["at", "0", "0"])
        drawn = site_of(node, path).body_mm
        assert drawn is not None, path.stem
        for mine, theirs in zip(package.drawn_mm, drawn, strict=True):
            assert abs(mine - theirs) <= max(0.25, 0.05 * mine), (path.stem, package.size_text, drawn)
        found[package.name] = found.get(package.name, 0) + 1
    assert sum(found.values()) > 800
    named = {entry.name for file in knowledge.files for entry in file.package if entry.size_mm}
    assert named <= set(found)
