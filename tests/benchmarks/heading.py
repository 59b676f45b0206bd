"""What every benchmark prints first: how to run it again, on what it ran."""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def heading() -> None:
    """Command, commit, interpreter and machine."""
    commit = subprocess.run(
        ["git", "describe", "--always", "--dirty"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.strip()
    words = [f"tests/benchmarks/{Path(sys.argv[0]).name}", *sys.argv[1:]]
    print(f"command: python {' '.join(words)}")
    print(f"commit {commit or 'unknown'}, Python {platform.python_version()}, {os.cpu_count()} cores, ", end="")
    print(platform.machine())
