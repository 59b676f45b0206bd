"""Hands with a rig: it presses the pedals and closes the tip; what it cannot do, other hands do."""

from __future__ import annotations

from airquill.tuning.hands import HOLD_MS, PRESS_MS, TAP_MS, Hands
from airquill_hil.rig import SerialRig

PATIENCE_S = 2.0
# As a foot switch bounces, in us after either edge (from memory: 5 to 30 ms).
FOOT_US = (120, 700, 1500, 4200, 8500, 14000)
DOUBLE_S = 2 * TAP_MS / 1000


class RigHands:
    """Presses come from the rig, the rest from `other`."""

    patience_s = PATIENCE_S

    def __init__(self, rig: SerialRig, other: Hands) -> None:
        self._rig = rig
        self._other = other

    def fit_needle(self, gauge: int) -> None:
        self._other.fit_needle(gauge)

    def open_tip(self) -> None:
        if self._rig.closes_tip:
            self._rig.tip("open")
        else:
            self._other.open_tip()

    def seal_tip(self) -> None:
        if self._rig.closes_tip:
            self._rig.tip("sealed")
        else:
            self._other.seal_tip()

    def press(self, pedal: int) -> None:
        self._rig.press(pedal, PRESS_MS, FOOT_US)

    def hold(self, pedal: int) -> None:
        self._rig.press(pedal, HOLD_MS, FOOT_US)

    def double(self, pedal: int) -> None:
        self._rig.press(pedal, TAP_MS)
        self._rig.wait(DOUBLE_S)
        self._rig.press(pedal, TAP_MS)

    def knob(self, clicks: int) -> None:
        self._other.knob(clicks)

    def push(self) -> None:
        self._other.push()

    def reports(self) -> list[bytes] | None:
        return self._other.reports()

    def rest(self) -> None:
        self._rig.rest()
        self._other.rest()
