"""`rig://NAME`: the rig's own firmware around the virtual unit sim://NAME, in this process, on the unit's clock."""

import serial

if __name__ not in serial.protocol_handler_packages:
    serial.protocol_handler_packages.append(__name__)
