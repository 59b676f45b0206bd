"""Puts into the wheel the files that stand beside the packages in the source tree.

An editable install needs none of them: there the code finds them in the tree.
"""

from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

# Source in the tree, place in the wheel. A missing source ends the build.
MOVED = {
    "protocol/registry.toml": "airquill_protocol/registry.toml",
    "device/boot.py": "airquill_device/_root/boot.py",
    "device/main.py": "airquill_device/_root/main.py",
}
# The measuring board's firmware: a folder, and empty until it has some.
RIG = ("hil/rig", "airquill_hil/_rig")


class WheelFiles(BuildHookInterface):  # type: ignore[type-arg]
    """Hatchling's build hook; it runs for the wheel."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Add the files, unless this is an editable install (`version` is then "editable")."""
        if version == "editable":
            return
        build_data["force_include"].update(MOVED)
        root = Path(self.root)
        for path in sorted((root / RIG[0]).rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts:
                build_data["force_include"][path.relative_to(root).as_posix()] = (
                    f"{RIG[1]}/{path.relative_to(root / RIG[0]).as_posix()}"
                )
