"""Figures of memory: what a pass allocates, collections, what stays free, and the firmware's size."""

from .emulator import ChipError
from .figures import Figure
from .unit import Image, PassLog, Unit

MPY_BYTES = 48 * 1024
FREE_BYTES = 140_000.0  # of 236 KB
TREND_BYTES = 512.0  # a list that grows by one word for each of 200 requests would show
COLLECTION_MS = 40.0
SHORT_MS, LONG_MS = 100.0, 2100.0
ACTIVITY = 100
SAVES = 10
SPIN_UP_MS = 1000.0
MOST_REQUESTS = 400
PRESS_MS = 40.0  # down, and up again: the stroke takes a little less than both


def heap(image: Image) -> list[Figure]:
    """What a steady pass allocates, then presses, requests and saves with a look at what stays free."""
    unit = Unit(image)
    per_pass = _allocated_per_pass(unit)
    unit.chip.release(unit.pedals[0])
    unit.settle(SPIN_UP_MS)
    log = PassLog(unit.chip)
    first = _busy_half(unit)
    second = _busy_half(unit)
    return [
        Figure("heap allocated per steady pass", per_pass, "B", 0.0),
        Figure("longest pass when idle, collections in it", max(log.busy_us()) / 1000, "ms", COLLECTION_MS),
        Figure(
            "free heap after a collection",
            second,
            "B",
            FREE_BYTES,
            at_least=True,
            about=f"{2 * ACTIVITY} presses, {2 * ACTIVITY} requests, {2 * SAVES} saves",
        ),
        Figure("free heap lost between the halves", first - second, "B", TREND_BYTES),
    ]


def _allocated_per_pass(unit: Unit) -> float:
    """Two spans of different length, each between two requests: what the requests take cancels out."""
    unit.chip.press(unit.pedals[0])
    unit.settle(SPIN_UP_MS)
    unit.number("loop.free_bytes")
    lost, passes = [], []
    for span_ms in (SHORT_MS, LONG_MS):
        log = PassLog(unit.chip)
        before = unit.number("loop.free_bytes")
        unit.chip.run(span_ms)
        lost.append(before - unit.number("loop.free_bytes"))
        log.stop()
        passes.append(len(log.passes))
    return (lost[1] - lost[0]) / (passes[1] - passes[0])


def _busy_half(unit: Unit) -> float:
    """Half the activity; returns what is free right after the collection that follows."""
    for number in range(ACTIVITY):
        unit.chip.press(unit.pedals[1])
        unit.chip.run(PRESS_MS)
        unit.chip.release(unit.pedals[1])
        unit.settle(PRESS_MS)
        unit.client.get("cycle.state", "keys.sent")
        if number % (ACTIVITY // SAVES) == 0:
            unit.client.set({"cycle.settle_ms": 200 + number}, keep=True)
    return _free_after_collection(unit)


def _free_after_collection(unit: Unit) -> float:
    before = unit.number("loop.free_bytes")
    for _ in range(MOST_REQUESTS):
        unit.client.request("describe", "settings", "1")
        free = unit.number("loop.free_bytes")
        if free > before:
            return free
        before = free
    raise ChipError(f"No collection happened within {2 * MOST_REQUESTS} requests; {before:g} bytes are free.")


def size(image: Image) -> list[Figure]:
    """Bytes of bytecode of device and protocol."""
    if image.report is None:
        raise ChipError("The size is measured on an image built from a stock UF2. Give the stock UF2.")
    mpy = sum(file.bytes for file in image.report.files if file.path.endswith(".mpy"))
    return [Figure("device and protocol as .mpy", mpy, "B", MPY_BYTES)]
