"""Puts into the wheel the files that stand beside the packages in the source tree.

An editable install needs none of them: there the code finds them in the tree.
"""

from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

# Folder in the tree, what of it, folder in the wheel. What is named and missing ends the build.
BESIDE = (
    ("protocol", ("registry.toml",), "airquill_protocol"),
    ("device", ("boot.py", "main.py", "wiring", "addons"), "airquill_device/_root"),
    ("hil", ("rig",), "airquill_hil/_root"),
)


class WheelFiles(BuildHookInterface):  # type: ignore[type-arg]
    """Hatchling's build hook; it runs for the wheel."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Add the files, unless this is an editable install (`version` is then "editable")."""
        if version == "editable":
            return
        for folder, names, target in BESIDE:
            for name in names:
                path = Path(self.root, folder, name)
                files = sorted(path.rglob("*")) if path.is_dir() else [path]
                for file in files:
                    if not file.is_dir() and "__pycache__" not in file.parts:
                        place = file.relative_to(Path(self.root, folder)).as_posix()
                        build_data["force_include"][f"{folder}/{place}"] = f"{target}/{place}"
