"""Warns when the committed chip figures are of other sources than those in the tree.

It never fails a run: only a machine with a stock UF2 can measure them again.
"""

import json
import sys
from pathlib import Path

FIGURES = Path("docs/chip-measure.json")


def warning() -> str:
    """The warning, or nothing when the figures are of these sources."""
    try:
        from airquill_hil.chip.figures import source_hash
    except ImportError:
        return ""
    again = "Measure again with a stock UF2 (see DEVELOPERS.md, Chip tests)."
    if not FIGURES.exists():
        return f"There are no chip figures at {FIGURES}. {again}"
    if json.loads(FIGURES.read_text()).get("source_hash") != source_hash():
        return f"The chip figures at {FIGURES} were measured with other device or protocol sources. {again}"
    return ""


if __name__ == "__main__":
    if text := warning():
        print(f"Warning: {text}", file=sys.stderr)
