"""Which source files make up the firmware, from a source tree or from an installed package."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

from airquill.errors import AirquillError

PACKAGES = ("airquill_protocol", "airquill_device")
STARTERS = ("boot.py", "main.py")
"""Run by MicroPython itself, by these names, so they stay source text on the chip."""

_PACKED = "_root"
"""Folder inside the installed device package for what stands beside it in the source tree."""


def _package(name: str) -> Path:
    spec = find_spec(name)
    if spec is None or not spec.submodule_search_locations:
        raise AirquillError(f"The package {name} is not installed. Install Airquill again.")
    return Path(spec.submodule_search_locations[0])


def _beside_device(relative: str) -> Path:
    package = _package("airquill_device")
    for path in (package / _PACKED / relative, package.parent / relative):
        if path.is_file():
            return path
    raise AirquillError(f"{relative} of the firmware is missing. Install Airquill again.")


def device_files() -> dict[str, Path]:
    """Absolute path on the chip to source file, for all of the firmware; in ascending order of the path.

    Wiring is not among them: it belongs to the unit. Raises AirquillError when the installation is incomplete.
    """
    files = {f"/{name}": _beside_device(name) for name in STARTERS}
    for name in PACKAGES:
        package = _package(name)
        for path in package.rglob("*.py"):
            inside = path.relative_to(package)
            if _PACKED not in inside.parts:
                files[f"/{name}/{inside.as_posix()}"] = path
    return dict(sorted(files.items()))


def reference_wiring() -> Path:
    """The wiring file of the reference design."""
    return _beside_device("wiring/reference.json")
