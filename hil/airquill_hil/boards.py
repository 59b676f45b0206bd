"""Faults of a virtual unit's board: what a wrong part, a cold joint or a wrong crystal does to it.

Each changes VirtualBoard itself while it lasts, so that it outlives restarts; for units in this process.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from typing import Any

from airquill.simulator.board import TICKS_AT_START, TICKS_MASK, Reset, VirtualBoard


@contextmanager
def patched(owner: type, methods: Mapping[str, Callable[..., Any]]) -> Iterator[None]:
    """The class has these methods while the context lasts."""
    before = {name: getattr(owner, name) for name in methods}
    for name, method in methods.items():
        setattr(owner, name, method)
    try:
        yield
    finally:
        for name, method in before.items():
            setattr(owner, name, method)


# What a pin that hangs in the air may read.
FLOATING_CODE = 20000
FLOATING_CODE10MV = 1200

Fault = Callable[[str], AbstractContextManager[None]]


def _pump_hz(value: str) -> AbstractContextManager[None]:
    """The pump switches at that share of what it was told."""
    real = VirtualBoard.pump_freq
    return patched(VirtualBoard, {"pump_freq": lambda b, hz: real(b, round(hz * float(value)))})


def _valve_hz(value: str) -> AbstractContextManager[None]:
    """The valve switches at that share of what it was told."""
    real = VirtualBoard.valve_freq
    return patched(VirtualBoard, {"valve_freq": lambda b, hz: real(b, round(hz * float(value)))})


def _pump_gate(value: str) -> AbstractContextManager[None]:
    """The pump's gate gets that share of its duty."""
    real = VirtualBoard.pump
    return patched(VirtualBoard, {"pump": lambda b, duty: real(b, round(duty * float(value)))})


def _valve_gate(value: str) -> AbstractContextManager[None]:
    """The valve's gate gets that share of its duty."""
    real, share = VirtualBoard.valve, float(value)
    return patched(
        VirtualBoard, {"valve": lambda b, peak, us, hold: real(b, round(peak * share), us, round(hold * share))}
    )


def _valve_timer(value: str) -> AbstractContextManager[None]:
    """The timer that ends the valve's peak is slow by that factor."""
    real = VirtualBoard.valve
    return patched(VirtualBoard, {"valve": lambda b, peak, us, hold: real(b, peak, round(us * float(value)), hold)})


def _crystal(value: str) -> AbstractContextManager[None]:
    """The chip's clock runs at that rate: its milliseconds are longer or shorter than real ones."""
    ticks, edge, rate = VirtualBoard.ticks_us, VirtualBoard.pedal_edge, float(value)

    def scaled(stamp: int) -> int:
        return int((stamp - TICKS_AT_START & TICKS_MASK) * rate) + TICKS_AT_START & TICKS_MASK

    def pedal_edge(board: VirtualBoard, n: int) -> int:
        stamp = edge(board, n)
        return stamp if stamp < 0 else scaled(stamp)

    return patched(VirtualBoard, {"ticks_us": lambda b: scaled(ticks(b)), "pedal_edge": pedal_edge})


def _divider(value: str) -> AbstractContextManager[None]:
    """The supply is measured through resistors of other values."""
    real = VirtualBoard.supply_code10mv
    return patched(VirtualBoard, {"supply_code10mv": lambda b: round(real(b) * float(value))})


def _gate(_stuck: str) -> AbstractContextManager[None]:
    """The pump's transistor has failed: once on, it stays on."""
    real = VirtualBoard.pump

    def safe(board: VirtualBoard) -> None:
        board.valve_off()

    return patched(VirtualBoard, {"pump": lambda b, duty: real(b, duty) if duty else None, "safe": safe})


def _knob(_dead: str) -> AbstractContextManager[None]:
    """The knob's cable is off."""
    return patched(VirtualBoard, {"knob": lambda _b: 0, "knob_down": lambda _b: False})


def _watchdog(value: str) -> AbstractContextManager[None]:
    """A watchdog that is off, or that waits so many seconds."""

    def stand(board: VirtualBoard, _ticks: int) -> None:
        if value == "off":
            raise SystemExit
        board.clock.wait_until(board.clock.now() + round(float(value) * 1e6))
        raise Reset("watchdog")

    return patched(VirtualBoard, {"sleep_until": stand})


def _lamp(value: str) -> AbstractContextManager[None]:
    """A lamp of the light bar, 1 to 5, does not light."""
    real, dead = VirtualBoard.bar, int(value) - 1

    def bar(board: VirtualBoard, levels: bytes | bytearray, brightness_pct: int) -> None:
        real(board, bytes(0 if n == dead else level for n, level in enumerate(levels)), brightness_pct)

    return patched(VirtualBoard, {"bar": bar})


def _sensor_pin(_floating: str) -> AbstractContextManager[None]:
    """The resistor that pulls an unplugged sensor's line to ground is missing."""
    real = VirtualBoard.sensor_code
    return patched(VirtualBoard, {"sensor_code": lambda b: real(b) or FLOATING_CODE})


def _supply_pin(_floating: str) -> AbstractContextManager[None]:
    """The resistor that pulls the divider's tap to ground is missing."""
    real = VirtualBoard.supply_code10mv

    def supply_code10mv(board: VirtualBoard) -> int:
        code = real(board)
        return code if code > 100 else FLOATING_CODE10MV

    return patched(VirtualBoard, {"supply_code10mv": supply_code10mv})


BOARD_FAULTS: dict[str, Fault] = {
    "pump_hz": _pump_hz,
    "valve_hz": _valve_hz,
    "pump_gate": _pump_gate,
    "valve_gate": _valve_gate,
    "valve_timer": _valve_timer,
    "crystal": _crystal,
    "divider": _divider,
    "gate": _gate,
    "knob": _knob,
    "watchdog": _watchdog,
    "lamp": _lamp,
    "sensor_pin": _sensor_pin,
    "supply_pin": _supply_pin,
}
