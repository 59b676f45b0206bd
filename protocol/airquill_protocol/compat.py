"""`const` for both interpreters: MicroPython's compiler folds it, CPython calls it."""

try:
    from micropython import const
except ImportError:

    def const(value):
        return value
