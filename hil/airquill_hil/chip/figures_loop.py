"""Figures of the loop: the start, and how long its passes take."""

from airquill_protocol import frame

from .emulator import Chip, ChipError
from .figures import Figure, percentile
from .unit import Image, PassLog, Unit

START_MS = 600.0
PASS_US = 1000.0
LONGEST_PASS_US = 3000.0
STEADY_S = 2.0
REQUESTS = 200
REQUESTS_A_PICK = 20
COLLECTED_MS = 1500.0  # the vent, and the once a second that memory is looked after
UNREAD_S = 60.0
AGAIN_MS = 50.0
BOOT_MS = 5000.0
SPIN_UP_MS = 1000.0


def start(image: Image) -> list[Figure]:
    """From power to the last byte of the greeting. The boot ROM's own time is not in it: the emulator has none."""
    chip = Chip(image.path)
    hello = frame.frame("1 hello 1")
    while b"session=1" not in chip.received:
        if chip.ms > BOOT_MS:
            raise ChipError(f"The unit did not answer hello within {BOOT_MS:g} ms. Look with `airquill chip run`.")
        if chip.host.configured:
            chip.send(hello)
        chip.run(AGAIN_MS, lambda: b"session=1" in chip.received)
    return [Figure("power to answering hello", chip.ms, "ms", START_MS)]


def steady_pass(image: Image) -> list[Figure]:
    """Passes with the pump running and a pedal held, nobody asking anything."""
    unit = Unit(image)
    _vacuum_on(unit)
    log = PassLog(unit.chip)
    unit.chip.run(STEADY_S * 1000)
    busy = log.busy_us()
    return [
        Figure("steady pass, 99th percentile", percentile(busy, 99), "us", PASS_US, about=f"{len(busy)} passes"),
        Figure("steady pass, median", percentile(busy, 50), "us"),
    ]


def passes_while_asked(image: Image) -> list[Figure]:
    """The longest pass while requests of every kind are handled, pump running.

    Between picks, unlogged, memory is collected: with vacuum on the unit would sooner or later answer "busy".
    """
    unit = Unit(image)
    busy: list[float] = []
    for first in range(0, REQUESTS, REQUESTS_A_PICK):
        _vacuum_on(unit)
        log = PassLog(unit.chip)
        for number in range(first, first + REQUESTS_A_PICK):
            _ask(unit, number)
        log.stop()
        busy += log.busy_us()
        unit.chip.release(unit.pedals[0])
        unit.settle(COLLECTED_MS)
    return [
        Figure("longest pass while asked", max(busy), "us", LONGEST_PASS_US, about=f"{len(busy)} passes"),
        Figure("pass while asked, 99th percentile", percentile(busy, 99), "us"),
    ]


def passes_while_unread(image: Image) -> list[Figure]:
    """The longest pass while a host holds the port open for a minute and reads nothing, events waiting."""
    unit = Unit(image)
    unit.client.listen("cycle", "pedal")
    unit.client.stream(100, "loop.uptime_s")
    _vacuum_on(unit)
    starts = unit.chip.starts
    unit.chip.host.stop_reading()
    log = PassLog(unit.chip)
    unit.chip.run(UNREAD_S * 1000)
    log.stop()
    if unit.chip.starts != starts:
        raise ChipError("The unit restarted while the host did not read.")
    return [
        Figure(
            "longest pass while a host does not read",
            max(log.busy_us()),
            "us",
            LONGEST_PASS_US,
            about=f"{UNREAD_S:g} s",
        )
    ]


def _ask(unit: Unit, number: int) -> None:
    client = unit.client
    kinds = (
        lambda: client.get("cycle.state", "pump.duty_pct", "loop.uptime_s"),
        lambda: client.set({"cycle.settle_ms": 200 + number}),
        lambda: client.request("list", "settings", str(number % 40)),
        lambda: client.request("describe", "settings", str(number % 60)),
        lambda: client.get("preset1.name"),
    )
    kinds[number % len(kinds)]()


def _vacuum_on(unit: Unit) -> None:
    unit.chip.press(unit.pedals[0])
    unit.settle(SPIN_UP_MS)
    if not unit.chip.pwm(unit.pump).duty:
        raise ChipError("The pump does not run with pedal 1 down. Check the reference wiring and default settings.")
