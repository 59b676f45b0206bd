"""An operator at a virtual unit: picks parts, sets them down, misses now and then, holds the tip late or early."""

from __future__ import annotations

import contextlib
import random
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Literal

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.live.recording import Header, Preset, header_of
from airquill.live.trend import Trend
from airquill.live.watcher import Watcher
from airquill.pneumatics.air import Air
from airquill.pneumatics.part import Part
from airquill.simulator.control import Control
from airquill.tuning.baseline import Baseline
from airquill.tuning.checkup import run_checkup
from airquill.tuning.hands import ControlHands
from airquill.tuning.tool import Tool

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


ACCEPTED = Baseline(
    "2026-11-01", 22, {"sealed_kpa": 65.0, "open_kpa": 49.9, "pull_down_s": 0.16, "vent_ms": 34.4, "let_go_ms": 59.9}
)
"""What `airquill accept` finds of a virtual unit with factory settings (docs/acceptance.md)."""


def trend_of(header: Header, lines: list[dict[str, Any]]) -> Trend:
    finder, trend = header.finder(), Trend(header)
    for line in lines:
        pick = finder.take(line)
        if pick is not None:
            trend.take(pick)
    return trend


def at_work(
    seed: int,
    picks: int,
    fault: Callable[[int], tuple[str, float] | None] = lambda _pick: None,
    needle: int = 22,
    strength_pct: int = 80,
    learned: bool = False,
    make: Literal["usual", "drawn", "measured"] = "usual",
    **operator: Any,
) -> Trend:
    """The trend of a session. A unit of the `usual` make has ACCEPTED as its figures; pump, hose and volumes of the
    others are drawn from the seed, and only a `measured` one has figures, those of a checkup of its own."""
    with Client.open(f"sim://?seed={seed + 1}") as unit:
        inside: Any = unit.port.raw
        control = Control.of(inside.unit)
        accepted = ACCEPTED.text() if make == "usual" else ""
        if make != "usual":
            _draw(inside.unit.world.air, random.Random(seed))
        if make == "measured":
            found = run_checkup(Tool(unit, ControlHands(control)), 22, 0.0)
            names = ACCEPTED.figures
            accepted = Baseline("2026-11-01", 22, {name: found.figures[name] or 0.0 for name in names}).text()
        control.needle(needle)
        unit.set({"preset2.strength_pct": strength_pct, "unit.baseline": accepted})
        if learned:
            _learn(unit, control)

        def before(pick: int) -> None:
            wanted = fault(pick)
            if wanted is not None:
                control.fault(*wanted)

        return trend_of(*watched(unit, Operator(unit, picks, seed, before=before, **operator)))


def _draw(air: Air, chance: random.Random) -> None:
    """A make: flow by 10 %, end vacuum by 4, hose and volumes by 8 (standard deviations; docs/physics.md)."""
    air.pump.free_flow_lpm *= chance.gauss(1, 0.10)
    air.pump.end_kpa *= chance.gauss(1, 0.04)
    air.hose_length_mm *= chance.gauss(1, 0.08)
    air.pen_m3 *= chance.gauss(1, 0.08)
    air.line_m3 *= chance.gauss(1, 0.08)
    air.pump.refresh()
    air.refresh()


def _learn(unit: Client, control: Control) -> None:
    for tip in ("open", "sealed"):
        control.tip(tip)
        unit.do("pick")
        unit.port.sleep(2.0)
        unit.do("learn", tip)
        unit.do("release")
        unit.port.sleep(0.6)
    control.tip("open")
