"""Writes the model that comes with the program: what each cause does to a checkup with the usual needle.

python -m airquill.tuning.generate_causes            takes a minute or two
python -m airquill.tuning.generate_causes --check    computes it anew and compares
"""

from __future__ import annotations

import sys
from dataclasses import fields
from pathlib import Path

import numpy as np

from airquill.report.files import write_whole
from airquill.tuning.model import SHIPPED_GAUGE, Model, build, read, shipped_name, text

_TOLERANCE = 0.02  # interpreters and libraries round differently, and a pump starts or not; of the largest in a table


def main(check: bool) -> int:
    """Exit code: 1 when the file is not what is computed now."""
    path = Path(__file__).parent / shipped_name()
    now = text(build(SHIPPED_GAUGE))
    if not check:
        write_whole(path, now)
        return 0
    kept, fresh = read(path.read_text()), read(now)
    for entry in fields(Model):
        one, other = getattr(kept, entry.name), getattr(fresh, entry.name)
        if one.shape != other.shape or not np.allclose(
            one, other, rtol=0, atol=_TOLERANCE * float(np.nanmax(np.abs(one))), equal_nan=True
        ):
            print(f"{path.name}: {entry.name} is stale. Run python -m airquill.tuning.generate_causes.")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main("--check" in sys.argv[1:]))
