"""Firmware images: the file system, the bytecode in it, and the UF2 that carries both with a stock MicroPython."""
