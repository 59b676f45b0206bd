"""The bench's checks by pytest, in a run of its own."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from command_line import ENVIRONMENT


def pytest_run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pytest", "-p", "airquill_hil.plugin", "-p", "no:cacheprovider", "-rs"]
    command += ["--pyargs", "airquill_hil", *arguments]
    return subprocess.run(
        command, cwd=folder, env=ENVIRONMENT, capture_output=True, text=True, timeout=100, check=False
    )
