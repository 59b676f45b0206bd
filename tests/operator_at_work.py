"""An operator at a virtual unit: picks parts, sets them down, misses now and then, holds the tip late or early."""

from __future__ import annotations

import contextlib
import random
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.live.recording import Header, Preset, header_of
from airquill.live.watcher import Watcher
from airquill.pneumatics.part import Part
from airquill.simulator.control import Control

PARTS = (
    Part(1.6, 0.8, 0.45, 2.0),
    Part(2.0, 1.25, 0.5, 5.0, gap_um=5.0),
    Part(3.2, 1.6, 0.6, 9.0),
    Part(4.9, 3.9, 1.5, 80.0, gap_um=5.0),
    Part(7.0, 7.0, 1.0, 60.0),
    Part(2.9, 1.6, 1.1, 8.0, gap_um=5.0),
)
"""Chips and packages of usual sizes, smooth ones and rough ones; all wider than the bore of a 20G needle."""


HEADER = Header(
    started="2026-11-25T02:00:00Z",
    chip="51a1ab1e00000001",
    serial="HEATHER-07",
    board="virtual",
    firmware="0.1.0",
    build="7be8b01f",
    airquill="0.1.0",
    settings_hash="0123456789abcdef",
    baseline="",
    altitude_m=None,
    sensor=True,
    control="steady",
    preset=2,
    strength_pct=80.0,
    presets=[Preset(number=2, strength_pct=80.0, open_kpa=0.0, sealed_kpa=0.0)],
)


class Operator:
    """Does what is due whenever `act` is called, on the unit's clock. `before` is called before each pick with its
    number, from 0, as to give the unit a fault."""

    def __init__(
        self,
        unit: Client,
        picks: int,
        seed: int,
        parts: Sequence[Part] = PARTS,
        miss_share: float = 0.1,
        latest_s: float = 0.3,
        before: Callable[[int], None] = lambda _pick: None,
    ) -> None:
        inside: Any = unit.port.raw
        self._inside = inside.unit
        self._control = Control.of(inside.unit)
        self._now = unit.port.now
        self._random = random.Random(seed)
        self._parts, self._miss_share, self._latest_s, self._before = parts, miss_share, latest_s, before
        self._steps = self._work(picks)
        self._due = unit.port.now() + 0.5
        self.is_done = False

    def act(self) -> None:
        while not self.is_done and self._now() >= self._due:
            try:
                self._due += next(self._steps)
            except StopIteration:
                self.is_done = True

    def _touch(self, part: Part) -> None:
        """As the control channel does, which knows smooth parts alone."""
        world = self._inside.world
        world.settle(self._inside.clock.us)
        if world.tip.state == "open":
            world.tip.touch(part)
            world.stir()

    def _work(self, picks: int) -> Iterator[float]:
        control, chance = self._control, self._random
        for number in range(picks):
            self._before(number)
            part = chance.choice(self._parts)
            misses, early = chance.random() < self._miss_share, chance.random() < 0.5
            yield chance.uniform(0.5, 2.0)
            if early and not misses:
                self._touch(part)
            control.press(1, bounce="foot")
            yield chance.uniform(0.02, self._latest_s)
            if not early and not misses:
                self._touch(part)
            yield chance.uniform(0.4, 0.7)
            control.lift()
            yield chance.uniform(0.6, 1.2)
            with contextlib.suppress(AirquillError):
                control.place()
            yield 0.08
            control.release(1, bounce="foot")
            yield 0.4
            control.lift()
        yield 0.8


def watched(unit: Client, operator: Operator, altitude_m: float | None = 0.0) -> tuple[Header, list[dict[str, Any]]]:
    """The header and the lines of a recording of all that the operator does."""
    header = header_of(unit, "0123456789abcdef", "0.1.0", altitude_m)
    lines = []
    for line in Watcher(unit, 100).lines(float("inf")):
        lines.append(line)
        operator.act()
        if operator.is_done:
            break
    return header, lines
