"""One unit that is measured: vacuum recordings, settings for as long as they are needed, and the way back to safe."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping

from airquill.errors import AirquillError
from airquill.link.client import Client
from airquill.link.convert import Value
from airquill.report.trace import EVERY_MS, Recorder, Trace
from airquill.tuning.hands import Hands

# The unit makes itself safe when nobody has spoken to it for this long with vacuum on.
DEAD_MAN_MS = 3000
FULL_PCT = 100
RISE_S = 0.4
LEVEL_MS = 40
BEFORE_VENT_S = 0.1
VENT_S = 0.5
CALM_S = 1.1
VACUUM = "vacuum.kpa"
_IDLE_S = 4.0


class Tool:
    """A unit, with the hands that seal its tip where there are some."""

    def __init__(self, unit: Client, hands: Hands | None = None) -> None:
        self.unit = unit
        self._hands = hands
        self.left_unsafe = ""
        """Why the outputs could not be made safe; empty when they were."""

    @property
    def hands(self) -> Hands:
        """For what needs them."""
        assert self._hands is not None
        return self._hands

    def capabilities(self) -> set[str]:
        """What can be done: the unit's own words, and `hands` where there are some."""
        found = set(self.unit.greeting.capabilities)
        if self._hands is not None:
            found.add("hands")
        return found

    @contextlib.contextmanager
    def settings(self, wanted: Mapping[str, Value]) -> Iterator[None]:
        """Run with these settings, then with the unit's own again; nothing is saved."""
        before = self.unit.get(*wanted)
        self.unit.set(dict(wanted))
        try:
            yield
        finally:
            self._settle()
            self.unit.set(before)

    @contextlib.contextmanager
    def vacuum(self, strength_pct: int | None = FULL_PCT, watched: bool = True) -> Iterator[None]:
        """Vacuum on at a strength (None: the preset's own), then off, and the preset's own strength again.

        While `watched`, the unit stops when nobody speaks to it; not for what a person is asked during it.
        """
        self.calm()
        self.unit.do("dead_man", DEAD_MAN_MS if watched else 0)
        if strength_pct is not None:
            self.unit.do("strength", strength_pct)
        self.unit.do("pick")
        try:
            yield
        finally:
            self.unit.do("release")
            self.unit.do("dead_man", 0)
            self._settle()
            self.unit.do("preset", self.unit.get("preset.active")["preset.active"])

    def calm(self) -> None:
        """Give the unit the quiet second in which it collects memory: with vacuum on it cannot."""
        self.unit.port.sleep(CALM_S)

    def kpa(self) -> float:
        """Vacuum now, as the unit says. AirquillError when it says none."""
        value = self.unit.get(VACUUM)[VACUUM]
        if value is None:
            raise AirquillError("The unit says no vacuum, though it has a sensor.", 1)
        return float(str(value))

    def stand(self) -> None:
        """Stop the pump, so that the next pick starts it."""
        self.unit.do("stop")
        self.unit.do("clear")

    def record_pick(self, seconds: float) -> Trace:
        """Vacuum on at full strength for so long, then off; time zero is when vacuum came on."""
        self.calm()
        with self.settings({"control.mode": "steady"}), Recorder(self.unit) as recorder:
            self.unit.do("dead_man", DEAD_MAN_MS)
            self.unit.do("strength", FULL_PCT)
            self.unit.do("pick")
            try:
                # Closely where it moves: a unit cannot collect the memory that events take while vacuum is on.
                recorder.run(RISE_S)
                self.unit.stream(LEVEL_MS, VACUUM)
                recorder.run(seconds - RISE_S - BEFORE_VENT_S)
                self.unit.stream(EVERY_MS, VACUUM)
                recorder.run(BEFORE_VENT_S)
            finally:
                self.unit.do("release")
                self.unit.do("dead_man", 0)
            recorder.run(VENT_S)
            # The preset's own strength again.
            self.unit.do("preset", self.unit.get("preset.active")["preset.active"])
            return recorder.trace()

    def _settle(self) -> None:
        """Let go, and wait until the unit says it did."""
        self.unit.do("release")
        end = self.unit.port.now() + _IDLE_S
        while self.unit.get("cycle.state")["cycle.state"] not in ("idle", "stopped"):
            if self.unit.port.now() > end:
                raise AirquillError("The unit does not come to rest after a release. Look at its valve.", 1)
            self.unit.port.sleep(0.05)

    def safe(self) -> None:
        """Hands off, outputs off, link quiet. Never raises; `left_unsafe` says when the unit could not be reached."""
        if self._hands is not None:
            with contextlib.suppress(AirquillError):
                self._hands.rest()
        try:
            # `stop` works in every state of the unit, and a stop that is not needed is cleared again.
            self.unit.do("stop")
            self.unit.listen()
            self.unit.stream(0)
            self.unit.do("dead_man", 0)
        except AirquillError as error:
            self.left_unsafe = f"{error.sentence} Its outputs may be on: switch its supply off."
            return
        with contextlib.suppress(AirquillError):
            self.unit.do("clear")  # refused while the unit's own fault remains; it is safe then anyway
