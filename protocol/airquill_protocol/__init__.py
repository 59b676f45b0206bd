"""The language that unit and host both speak; one copy, for CPython and MicroPython."""
