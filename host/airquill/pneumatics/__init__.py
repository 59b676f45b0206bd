"""The air of the tool: ambient, pump, valve, hose, needle, part on the tip and vacuum sensor.

Plain Python that MicroPython runs too; only `vector` needs numpy and nothing here imports it.
Vacuum is kPa below ambient, positive. Inside, pressures are absolute, in Pa.
"""
