"""Installs the extra `test-layouts` once.

It is built from source, so a machine may lack what that takes: then the tests of host layouts skip, or fail under
AIRQUILL_REQUIRE=1.
"""

import importlib.util
import subprocess
import sys
import sysconfig
from pathlib import Path


def main() -> int:
    """Exit code 0 in any case: the tests themselves say what they lack."""
    if importlib.util.find_spec("xkbcommon"):
        return 0
    if not (Path(sysconfig.get_path("include")) / "Python.h").exists():
        subprocess.run([".ci/debian", "python3-dev"], check=False)
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "install", "--editable", ".[test-layouts]"]
    done = subprocess.run(pip, capture_output=True, text=True, check=False)
    if done.returncode:
        print(done.stdout[-2000:], done.stderr[-2000:], sep="\n", file=sys.stderr)
        print("The xkbcommon package could not be built, so tests of host layouts cannot run.", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
