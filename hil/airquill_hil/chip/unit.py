"""A whole unit on the emulated chip: the built image, its wiring, its link, and a log of the loop's passes."""

import json
import tempfile
from pathlib import Path
from typing import Any, NamedTuple

from airquill.errors import AirquillError
from airquill.image.build import WIRING_PATH, build, image_filesystem
from airquill.image.littlefs import read_filesystem
from airquill.image.report import ImageReport
from airquill.image.stock import read_stock
from airquill.link.client import Client

from .emulator import Chip
from .protocol_chip import url_of

WATCHDOG_LOAD = 0x04
SUPPLY_VOLTS = 12.0
ADC_VOLTS = 3.3
ADC_STEPS = 4096
LOOP_MS = 3000.0
AMBIENT_CODE = 3277 >> 4  # the registry's default of sensor.zero_code, in the ADC's 12 bits


class Pass(NamedTuple):
    """One pass of the unit's loop: when it ended, and how long it worked rather than waited, in ns."""

    ended_ns: float
    busy_ns: float


class PassLog:
    """The loop's passes from now on. Each ends by feeding the watchdog; the timer knows how long the guest waited."""

    def __init__(self, chip: Chip) -> None:
        self.passes: list[Pass] = []
        self._chip = chip
        self._watchdog = chip.mcu.watchdog
        self._write = self._watchdog.write_uint32
        self._ended_ns = self._waited_ns = -1.0
        self._watchdog.write_uint32 = self._logged  # type: ignore[method-assign]

    def _logged(self, offset: int, value: int) -> None:
        if offset == WATCHDOG_LOAD:
            now, waited = self._chip.ns, self._chip.waited_ns
            if self._ended_ns >= 0:
                self.passes.append(Pass(now, now - self._ended_ns - (waited - self._waited_ns)))
            self._ended_ns, self._waited_ns = now, waited
        self._write(offset, value)

    def busy_us(self) -> list[float]:
        """Working time of each pass in us."""
        return [one.busy_ns / 1000 for one in self.passes]

    def stop(self) -> None:
        """Stop logging."""
        self._watchdog.write_uint32 = self._write  # type: ignore[method-assign]


class Image:
    """An Airquill image for the chip, built from a stock UF2 if `uf2` is one; kept in a temporary file.

    Raises:
        AirquillError: the file is no firmware for this chip, or the image cannot be built.
    """

    def __init__(self, uf2: Path) -> None:
        stock = read_stock(uf2)
        self._folder = tempfile.TemporaryDirectory(prefix="airquill-chip-")
        self.path = uf2
        self.report: ImageReport | None = None
        if image_filesystem(stock) is None:
            self.path = Path(self._folder.name) / "airquill.uf2"
            self.report = build(uf2, self.path)

    def wiring(self) -> dict[str, Any]:
        """The wiring file in the image. Raises AirquillError when it holds none."""
        stock = read_stock(self.path)
        files = read_filesystem(image_filesystem(stock) or b"", stock.layout)
        if WIRING_PATH not in files:
            raise AirquillError(f"{self.path} holds a file system without Airquill. Give a stock UF2 or an image.")
        wiring: dict[str, Any] = json.loads(files[WIRING_PATH])
        return wiring

    def close(self) -> None:
        """Remove the temporary file."""
        self._folder.cleanup()


def power_up(image: Image) -> Chip:
    """A chip running the image, its loop going: sensor at ambient, supply at 12 V, port not yet opened.

    Raises:
        ChipError: the unit did not come onto the bus, or its loop did not start.
    """
    chip = Chip(image.path)
    plan = image.wiring()
    sensor, supply = plan.get("sensor", {}), plan.get("supply")
    if "pin" in sensor:
        chip.set_adc(sensor["pin"], AMBIENT_CODE)
    if supply:
        ratio = supply["bottom_ohm"] / (supply["top_ohm"] + supply["bottom_ohm"])
        chip.set_adc(supply["pin"], SUPPLY_VOLTS * ratio / ADC_VOLTS * ADC_STEPS)
    chip.host.open_when_ready = False
    chip.boot()
    # The loop's first pass starts the watchdog.
    chip.wait(LOOP_MS, lambda: chip.mcu.watchdog.timer.enable, "start its loop")
    return chip


class Unit:
    """A running unit: chip, client, and pins by what they do."""

    def __init__(self, image: Image) -> None:
        self.chip = power_up(image)
        plan = image.wiring()
        self.pump: int = plan["pump"]
        self.valve: int = plan["valve"]
        self.pedals: list[int] = plan["pedals"]
        self.client = Client.open(url_of(self.chip))

    def number(self, path: str) -> float:
        """One reading or setting as a number."""
        return float(str(self.client.get(path)[path]))

    def settle(self, ms: float) -> None:
        """Let emulated time pass; events are read and acknowledged as a host does."""
        for _ in self.client.events(ms / 1000):
            pass
