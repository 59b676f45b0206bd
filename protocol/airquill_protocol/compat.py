"""`const` for both interpreters."""


# MicroPython's compiler folds `NAME = const(...)` by the name of the call, so nothing calls this there.
def const(value: int) -> int:
    return value
