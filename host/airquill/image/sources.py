"""Which source files make up the firmware, from a source tree or from an installed package."""

from __future__ import annotations

import ast
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from airquill.errors import AirquillError

PACKAGES = ("airquill_protocol", "airquill_device")
STARTERS = ("boot.py", "main.py")
"""Run by MicroPython itself, by these names, so they stay source text on the chip."""

ROW_BYTES = 20
"""Of a packed row of the registry's table, whose first byte is its id: airquill_protocol/settings.py."""

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


def device_files(tree: Path | None = None) -> dict[str, Path]:
    """Absolute path on the chip to source file, for all of the firmware; in ascending order of the path.

    `tree` is a source tree; without it, what is installed. Wiring is not among them: it belongs to the unit. Raises
    AirquillError when something is missing.
    """
    places = _in_tree(tree) if tree else {name: _package(name) for name in PACKAGES}
    files = {f"/{name}": tree / "device" / name if tree else _beside_device(name) for name in STARTERS}
    for name, package in places.items():
        for path in package.rglob("*.py"):
            inside = path.relative_to(package)
            if _PACKED not in inside.parts:
                files[f"/{name}/{inside.as_posix()}"] = path
    return dict(sorted(files.items()))


def _in_tree(tree: Path) -> dict[str, Path]:
    places = dict(zip(PACKAGES, (tree / "protocol/airquill_protocol", tree / "device/airquill_device"), strict=True))
    for place in (*places.values(), *(tree / "device" / name for name in STARTERS)):
        if not place.exists():
            raise AirquillError(
                f"{tree} is no source tree of Airquill: {place} is missing. Name the folder above device."
            )
    return places


def facts(files: dict[str, Path]) -> tuple[str, str, list[int]]:
    """Of these sources: firmware version, registry hash, and the ids of the settings that they know."""
    named = _constants(files["/airquill_device/version.py"]) | _constants(files["/airquill_protocol/tables.py"])
    try:
        ids = list(named["ROWS"][::ROW_BYTES])
        return str(named["FIRMWARE"]), str(named["REGISTRY_HASH"]), ids
    except (KeyError, TypeError) as error:
        raise AirquillError(f"The sources do not say {error}. Run protocol/generate.py there.") from error


def _constants(path: Path) -> dict[str, Any]:
    try:
        tree = ast.parse(path.read_text(encoding="utf-8"))
    except (OSError, SyntaxError, UnicodeDecodeError) as error:
        raise AirquillError(f"{path} cannot be read as Python source: {error}. Correct the file.") from error
    return {
        node.targets[0].id: node.value.value
        for node in tree.body
        if isinstance(node, ast.Assign)
        and isinstance(node.targets[0], ast.Name)
        and isinstance(node.value, ast.Constant)
    }


def reference_wiring() -> Path:
    """The wiring file of the reference design."""
    return _beside_device("wiring/reference.json")
