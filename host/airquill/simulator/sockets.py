"""Unix sockets in folders with long names: the address holds about a hundred bytes, however deep the folder is."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

LONGEST = 100


@contextmanager
def short_path(path: Path) -> Iterator[str]:
    """An address for `path` that fits. OSError when its folder is not there."""
    if len(os.fsencode(path)) <= LONGEST:
        yield str(path)
        return
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)
