"""Installs the extra `labgrid` once, into .venv-labgrid: it brings a changed pyserial, which Airquill must not get.

Where it cannot be installed its test skips, or fails under AIRQUILL_REQUIRE=1.
"""

import subprocess
import sys
import tomllib
import venv
from pathlib import Path

PLACE = Path(".venv-labgrid")


def main() -> int:
    """Exit code 0 in any case: the test itself says what it lacks."""
    wanted = tomllib.loads(Path("pyproject.toml").read_text())["project"]["optional-dependencies"]["labgrid"]
    made = PLACE / ".made"
    if made.exists() and made.read_text() == " ".join(wanted):
        return 0
    venv.create(PLACE, clear=True, with_pip=True)
    pip = [str(PLACE / "bin/python"), "-m", "pip", "--disable-pip-version-check", "install", *wanted]
    done = subprocess.run(pip, capture_output=True, text=True, check=False)
    if done.returncode:
        print(done.stdout[-2000:], done.stderr[-2000:], sep="\n", file=sys.stderr)
        print("labgrid could not be installed, so its test cannot run.", file=sys.stderr)
        return 0
    made.write_text(" ".join(wanted))
    return 0


if __name__ == "__main__":
    sys.exit(main())
