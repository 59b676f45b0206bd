"""The emulated RP2040 as a bench. Needs a stock MicroPython UF2 from the user; see `emulator.Chip`."""

from .emulator import Chip, ChipError
from .pins import Edge, Pwm
from .usb_host import KeyReport

__all__ = ["Chip", "ChipError", "Edge", "KeyReport", "Pwm"]
