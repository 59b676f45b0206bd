"""The virtual unit: a board made of physics, on which the device's own firmware runs unmodified.

Importing this package makes `sim://` known to pyserial. The modules that a MicroPython interpreter runs too (board,
world, contacts, keyhost, wire, flash, faults, commands, launcher) import nothing that it lacks.
"""

import sys

if sys.implementation.name == "cpython":
    import serial

    if "airquill.simulator.urls" not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append("airquill.simulator.urls")
    from airquill.simulator.units import reset

    __all__ = ["reset"]
