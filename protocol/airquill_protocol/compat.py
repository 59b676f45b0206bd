"""`const` for both interpreters: MicroPython's compiler folds it, CPython calls it."""


def const(value: int) -> int:
    return value


try:
    from micropython import const  # type: ignore  # noqa: F811
except ImportError:
    pass
