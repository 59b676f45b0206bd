# Chooses the copy of the firmware that runs (see airquill_device/slot.py), then outputs low and the keyboard offered to
# USB before USB starts (see airquill_device/board.py). Only a new image changes this file and main.py.
import os
import sys

slot = ""
try:
    with open("/slot.txt") as file:
        slot = file.read(3)
    if slot[1:2] == "?":  # a new version is tried once, which is noted before it runs
        with open("/slot.new", "w") as file:
            file.write(slot[0] + "!" + slot[2])
        os.rename("/slot.new", "/slot.txt")
        slot = slot[2]
        import machine

        machine.WDT(timeout=8000)  # whatever goes wrong from here on ends in a restart, and that runs the old version
except OSError:
    pass  # no such file: nothing was sent to this unit since its image
if slot[:1] == "b":
    sys.path.insert(0, "/b")

import airquill_device.board  # noqa: E402, F401
