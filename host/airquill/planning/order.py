"""Which needle for which package, so that needles change seldom: a mixed-integer program for HiGHS, through scipy.

The work comes in blocks that have a fixed order (side, then low before tall). In each block every class of packages is
served by one of the needles that take it. A change of needle is counted within a block and between blocks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

CHANGE, NEEDLE, FINER = 1000.0, 30.0, 1.0  # weights: a change counts before another needle, before a finer one
LONGEST_S = 5.0


@dataclass(frozen=True)
class Demand:
    """Packages of one block that the same needles take. `takes` from the preferred one on, not empty."""

    block: int
    takes: tuple[int, ...]


@dataclass(frozen=True)
class Assignment:
    """`needle` of each demand, in their order; `sequence` of needles in each block; how often one is changed."""

    needle: tuple[int, ...]
    sequence: dict[int, tuple[int, ...]]

    @property
    def changes(self) -> int:
        hands = [needle for block in sorted(self.sequence) for needle in self.sequence[block]]
        return sum(one != other for one, other in pairwise(hands))


def greedy(demands: Sequence[Demand]) -> Assignment:
    """Keep the needle in hand while it serves, then take the one that serves most of what is left in the block."""
    chosen = [0] * len(demands)
    sequence: dict[int, tuple[int, ...]] = {}
    hand: int | None = None
    for block in sorted({demand.block for demand in demands}):
        left = [index for index, demand in enumerate(demands) if demand.block == block]
        used: list[int] = []
        while left:
            if hand is None or not any(hand in demands[index].takes for index in left):
                offers = sorted({needle for index in left for needle in demands[index].takes})
                hand = max(offers, key=lambda needle: sum(needle in demands[index].takes for index in left))
            used.append(hand)
            for index in [index for index in left if hand in demands[index].takes]:
                chosen[index] = hand
                left.remove(index)
        sequence[block] = tuple(used)
    return Assignment(tuple(chosen), sequence)


def solve(demands: Sequence[Demand]) -> Assignment:
    """The assignment with the fewest changes, then the fewest needles, then the coarsest; greedy where none is found.

    Binary variables: x[demand, needle] serves, u[block, needle] is used, first and last are so in a block,
    k[block, needle] is carried over from the block before, v[needle] is used at all.
    """
    if not demands:
        return Assignment((), {})
    blocks = sorted({demand.block for demand in demands})
    needles = sorted({needle for demand in demands for needle in demand.takes})
    program = _Program(len(demands), len(blocks), len(needles))
    place = {needle: index for index, needle in enumerate(needles)}
    for d, demand in enumerate(demands):
        b = blocks.index(demand.block)
        takes = [place[needle] for needle in demand.takes]
        program.add([(program.x(d, n), 1) for n in takes], 1, 1)
        for n in range(len(needles)):
            if n in takes:
                program.add([(program.u(b, n), 1), (program.x(d, n), -1)], 0, np.inf)
                program.cost[program.x(d, n)] = FINER * takes.index(n) / len(demands)
            else:
                program.upper[program.x(d, n)] = 0
    for b in range(len(blocks)):
        every = range(len(needles))
        program.add([(program.first(b, n), 1) for n in every], 1, 1)
        program.add([(program.last(b, n), 1) for n in every], 1, 1)
        for n in every:
            program.add([(program.u(b, n), 1), (program.first(b, n), -1)], 0, np.inf)
            program.add([(program.u(b, n), 1), (program.last(b, n), -1)], 0, np.inf)
            program.add([(program.v(n), 1), (program.u(b, n), -1)], 0, np.inf)
            # first and last are the same only where one needle serves the whole block
            spread = 1.0 / max(1, len(needles) - 1)
            both = [(program.first(b, n), 1.0), (program.last(b, n), 1.0)]
            program.add([*both, *((program.u(b, m), spread) for m in every)], -np.inf, 2.0 + spread)
            program.cost[program.u(b, n)] = CHANGE
            program.add([(program.k(b, n), 1), (program.first(b, n), -1)], -np.inf, 0)
            if b:
                program.add([(program.k(b, n), 1), (program.last(b - 1, n), -1)], -np.inf, 0)
                program.cost[program.k(b, n)] = -CHANGE
            else:
                program.upper[program.k(b, n)] = 0
    for n in range(len(needles)):
        program.cost[program.v(n)] = NEEDLE
    found = program.solve()
    if found is None:
        return greedy(demands)
    chosen = [
        needles[int(np.argmax(found[program.x(d, 0) : program.x(d, 0) + len(needles)]))] for d in range(len(demands))
    ]
    sequence = {}
    for b, block in enumerate(blocks):
        used = {chosen[d] for d, demand in enumerate(demands) if demand.block == block}
        first, last = (
            needles[int(np.argmax(found[one(b, 0) : one(b, 0) + len(needles)]))]
            for one in (program.first, program.last)
        )
        sequence[block] = tuple(
            sorted(used, key=lambda needle: ((needle != first) + 2 * (needle == last != first), needle))
        )
    best = Assignment(tuple(chosen), sequence)
    other = greedy(demands)
    return best if best.changes <= other.changes else other


class _Program:
    """Variables by kind and index, rows as they are added."""

    def __init__(self, demands: int, blocks: int, needles: int) -> None:
        self._needles, self._blocks, self._start = needles, blocks, demands * needles
        size = self._start + (4 * blocks + 1) * needles
        self.cost = np.zeros(size)
        self.upper = np.ones(size)
        self._rows: list[tuple[list[tuple[int, float]], float, float]] = []

    def x(self, demand: int, needle: int) -> int:
        return demand * self._needles + needle

    def _of(self, kind: int, block: int, needle: int) -> int:
        return self._start + (kind * self._blocks + block) * self._needles + needle

    def u(self, block: int, needle: int) -> int:
        return self._of(0, block, needle)

    def first(self, block: int, needle: int) -> int:
        return self._of(1, block, needle)

    def last(self, block: int, needle: int) -> int:
        return self._of(2, block, needle)

    def k(self, block: int, needle: int) -> int:
        return self._of(3, block, needle)

    def v(self, needle: int) -> int:
        return self._of(4, 0, needle)

    def add(self, terms: Sequence[tuple[int, float]], low: float, high: float) -> None:
        self._rows.append((list(terms), low, high))

    def solve(self) -> np.ndarray | None:
        from scipy.sparse import coo_array

        entries = [(row, column, factor) for row, (terms, _, _) in enumerate(self._rows) for column, factor in terms]
        rows, columns, factors = zip(*entries, strict=True)
        matrix = coo_array((factors, (rows, columns)), shape=(len(self._rows), len(self.cost))).tocsr()
        limits = LinearConstraint(matrix, [low for _, low, _ in self._rows], [high for _, _, high in self._rows])
        result = milp(
            self.cost,
            integrality=np.ones(len(self.cost), dtype=np.int_),
            bounds=Bounds(0, self.upper),
            constraints=limits,
            options={"time_limit": LONGEST_S},
        )
        return None if result.x is None else np.round(result.x)
