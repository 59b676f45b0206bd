"""The plan of a job: every part of a board accounted for, and the steps in the order of work."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

import numpy as np

from airquill.errors import AirquillError
from airquill.planning.board import Board, Site
from airquill.planning.choice import Bench
from airquill.planning.kit import Line, Want, kit
from airquill.planning.order import Demand, solve
from airquill.planning.packages import Knowledge, Package, drawn_differently
from airquill.pneumatics.needles import SIZES_MM

# Heights up to which a part counts as low and as middling: the hand must not pass over taller ones; common practice.
LOW_MM, MIDDLING_MM = 1.1, 2.5
DUTIES = tuple(step / 100.0 for step in range(50, 101, 5))  # a pump starts at 40 to 60 %; from memory
STEADY_RESERVE = 1.5  # vacuum of a preset over what its hungriest package needs, where the pump can; chosen
MOST_PRESETS = 8


@dataclass(frozen=True)
class Preset:
    """A needle and the pump's duty for it. `needed_kpa` is that of the package that needs most."""

    number: int
    gauge: int
    duty: float
    needed_kpa: float
    packages: tuple[str, ...]


@dataclass(frozen=True)
class Step:
    """One value of one package, placed at all its sites of one side before the next."""

    number: int
    side: str
    tool: str  # "22G", "cup from 2 mm", "tweezers"
    preset: Preset | None
    value: str
    footprint: str
    package: Package
    sites: tuple[Site, ...]
    place: str
    takes: tuple[int, ...]  # gauges at hand that would do
    needed_kpa: float | None
    held_kpa: float | None

    @property
    def margin(self) -> float | None:
        """Vacuum held over vacuum needed; the safety factor is in the needed one."""
        return self.held_kpa / self.needed_kpa if self.held_kpa and self.needed_kpa else None

    @property
    def needle_range(self) -> str:
        """The gauges at hand that would do, coarsest to finest."""
        if not self.takes:
            return ""
        return f"{self.takes[0]}G" if len(self.takes) == 1 else f"{self.takes[0]}G to {self.takes[-1]}G"


@dataclass(frozen=True)
class Plan:
    """Steps, presets and kit, and where every site of the board went."""

    board: Board
    bench: Bench
    boards: int
    steps: tuple[Step, ...]
    presets: tuple[Preset, ...]
    kit: tuple[Line, ...]
    unknown: tuple[Site, ...]
    left_out: tuple[Site, ...]
    through: tuple[Site, ...]
    no_part: tuple[Site, ...]
    notes: tuple[str, ...]

    @property
    def changes(self) -> int:
        """How often the tool on the pen is changed."""
        tools = [tool for tool, _ in groupby(step.tool for step in self.steps if step.tool != "tweezers")]
        return max(0, len(tools) - 1)

    @property
    def complete(self) -> bool:
        """Whether every part can be placed: none unknown, none short."""
        return not self.unknown and not any(line.short for line in self.kit)


def make_plan(
    board: Board,
    knowledge: Knowledge,
    bench: Bench,
    boards: int = 1,
    spare_share: float | None = None,
    stock: Mapping[tuple[str, str], int] | None = None,
    sides: Sequence[str] = ("top", "bottom"),
) -> Plan:
    """Plan the work. Raises AirquillError where nothing is to be placed, with exit code 1 where that is the answer."""
    sites = [site for site in board.sites if site.side in sides]
    parts = [site for site in sites if site.kind == "smd"]
    placed = [site for site in parts if not site.left_out]
    if not placed:
        raise AirquillError(
            f"{board.name} has no surface-mounted part to place{' on this side' if len(sides) == 1 else ''}: "
            f"{len(sites)} footprints, {len(parts) - len(placed)} of them not to be placed.",
            exit_code=1,
        )
    known = [(site, package) for site in placed if (package := knowledge.find(site.footprint)) is not None]
    unknown = tuple(site for site in placed if knowledge.find(site.footprint) is None)
    steps, presets = _steps(known, bench)
    wants: dict[tuple[str, str], Want] = {}
    for step in steps:
        key = (step.value, step.package.name)
        pieces = len(step.sites) + (wants[key].pieces if key in wants else 0)
        wants[key] = Want(step.value, step.footprint, step.package, pieces)
    lines, unused = kit(list(wants.values()), boards, spare_share, stock)
    places = {(line.value, line.package.name): line.place for line in lines}
    steps = [replace(step, place=places[step.value, step.package.name]) for step in steps]
    notes = [*board.notes, *_doubts(known), *(f"{site.reference} is {site.note}." for site in placed if site.note)]
    if unused:
        notes.append(f"In stock and not needed: {', '.join(unused[:20])}{' and more' if len(unused) > 20 else ''}.")
    return Plan(
        board,
        bench,
        boards,
        tuple(steps),
        tuple(presets),
        tuple(lines),
        unknown,
        tuple(site for site in parts if site.left_out),
        tuple(site for site in sites if site.kind == "through"),
        tuple(site for site in sites if site.kind == "none"),
        tuple(notes),
    )


def _doubts(known: Sequence[tuple[Site, Package]]) -> list[str]:
    odd: dict[tuple[str, str], tuple[Package, Site, int]] = {}
    for site, package in known:
        if drawn_differently(package, site):
            key = (site.footprint, package.name)
            odd[key] = (package, site, odd[key][2] + 1 if key in odd else 1)
    return [
        f"{site.footprint} ({count}) is taken as {package.name}, {package.size_text}, and the board draws a body of "
        f"{site.body_mm[0]:g} x {site.body_mm[1]:g} mm. Look whether that is so."
        for package, site, count in odd.values()
        if site.body_mm
    ]


def _band(package: Package) -> int:
    return (package.height_mm > LOW_MM) + (package.height_mm > MIDDLING_MM)


@dataclass(frozen=True)
class _Group:
    """The sites of one step before its needle is known."""

    block: tuple[int, int]
    side: str
    value: str
    package: Package
    sites: tuple[Site, ...]
    takes: tuple[int, ...]


def _steps(known: Sequence[tuple[Site, Package]], bench: Bench) -> tuple[list[Step], list[Preset]]:
    weights: Counter[str] = Counter()
    gathered: dict[tuple[str, str, str], list[tuple[Site, Package]]] = defaultdict(list)
    for site, package in known:
        weights[site.side] += int(package.mass_mg * 1000)
        gathered[site.side, package.name, site.value].append((site, package))
    # The lighter side first: its parts hang while the other one is soldered; common practice, no source.
    rank = {
        side: index for index, side in enumerate(sorted(weights, key=lambda side: (weights[side], side != "bottom")))
    }
    takes = {name: bench.takes(package) for name, package in {one.name: one for _, one in known}.items()}
    groups = [
        _Group(
            (rank[side], _band(found[0][1])),
            side,
            value,
            found[0][1],
            _walk([site for site, _ in found]),
            takes[name],
        )
        for (side, name, value), found in gathered.items()
    ]
    blocks = sorted({group.block for group in groups})
    classes = sorted({(group.block, group.takes) for group in groups if group.takes})
    demands = [Demand(blocks.index(block), gauges) for block, gauges in classes]
    assignment = solve(demands)
    needle = dict(zip(classes, assignment.needle, strict=True))
    turn = {
        (blocks[block], gauge): index
        for block, gauges in assignment.sequence.items()
        for index, gauge in enumerate(gauges)
    }
    chosen = {id(group): needle.get((group.block, group.takes)) for group in groups}

    def order(group: _Group) -> tuple[Any, ...]:
        gauge = chosen[id(group)]
        by_hand = len(SIZES_MM) if gauge is None else turn[group.block, gauge]
        package = group.package
        return (
            *group.block,
            by_hand,
            package.height_mm,
            package.length_mm,
            package.polarised,
            package.name,
            group.value,
        )

    groups.sort(key=order)
    presets = _presets([(chosen[id(group)], group.package) for group in groups], bench)
    by_gauge = {preset.gauge: preset for preset in presets}
    steps = []
    for number, group in enumerate(groups, 1):
        gauge = chosen[id(group)]
        preset = by_gauge[gauge] if gauge is not None else None
        cup = bench.cup_mm(group.package) if preset is None else None
        tool = f"{gauge}G" if gauge is not None else f"cup from {cup:g} mm" if cup else "tweezers"
        steps.append(
            Step(
                number,
                group.side,
                tool,
                preset,
                group.value,
                group.sites[0].footprint,
                group.package,
                group.sites,
                "",
                group.takes,
                bench.needed_kpa(group.package, preset.gauge) if preset else None,
                bench.held_kpa(preset.gauge, group.package.rough, preset.duty) if preset else None,
            )
        )
    return steps, presets


def _presets(uses: Sequence[tuple[int | None, Package]], bench: Bench) -> list[Preset]:
    """A preset for each needle in the order of first use, as weak as its packages allow: strength hides a lost part."""
    by_gauge: dict[int, list[Package]] = {}
    for gauge, package in uses:
        if gauge is not None:
            by_gauge.setdefault(gauge, []).append(package)
    if len(by_gauge) > MOST_PRESETS:
        raise AirquillError(
            f"This job needs {len(by_gauge)} needles, and a unit has {MOST_PRESETS} presets. Plan a side at a time, or "
            "with fewer needles."
        )
    presets = []
    for number, (gauge, packages) in enumerate(by_gauge.items(), 1):
        duty = next(
            (
                duty
                for duty in DUTIES
                if all(
                    bench.held_kpa(gauge, package.rough, duty) >= STEADY_RESERVE * bench.needed_kpa(package, gauge)
                    for package in packages
                )
            ),
            DUTIES[-1],
        )
        needed = max(bench.needed_kpa(package, gauge) for package in packages)
        names = tuple(dict.fromkeys(package.name for package in packages))
        presets.append(Preset(number, gauge, duty, needed, names))
    return presets


def _walk(sites: list[Site]) -> tuple[Site, ...]:
    """The sites so that the hand goes to the nearest next, from the upper left on; by reference without places."""
    if len(sites) < 3 or any(site.x_mm is None for site in sites):
        return tuple(sorted(sites, key=lambda site: _natural(site.reference)))
    # the bottom is seen mirrored
    spots = np.array([(-(site.x_mm or 0) if site.side == "bottom" else site.x_mm, site.y_mm) for site in sites])
    left = np.ones(len(sites), dtype=bool)
    now = int(np.argmin(spots.sum(axis=1)))
    path = [now]
    left[now] = False
    for _ in range(len(sites) - 1):
        away = np.hypot(*(spots - spots[now]).T)
        away[~left] = np.inf
        now = int(np.argmin(away))
        left[now] = False
        path.append(now)
    return tuple(sites[index] for index in path)


def _natural(reference: str) -> tuple[str, int]:
    letters = reference.rstrip("0123456789")
    digits = reference[len(letters) :]
    return letters, int(digits) if digits else -1
