"""The emulated RP2040 as a bench. Needs a stock MicroPython UF2 from the user; see `emulator.Chip`.

Importing this package teaches pyserial the address `chip://?uf2=PATH`.
"""

import serial

from .emulator import Chip, ChipError
from .pins import Edge, Pwm
from .usb_host import KeyReport

__all__ = ["Chip", "ChipError", "Edge", "KeyReport", "Pwm"]

if __name__ not in serial.protocol_handler_packages:
    serial.protocol_handler_packages.append(__name__)
