"""What is inside a firmware image, as data and as text."""

from __future__ import annotations

from pydantic import BaseModel, Field


class FileReport(BaseModel):
    """One file on the chip's disk."""

    path: str
    bytes: int
    sha256: str


class Region(BaseModel):
    """A stretch of flash."""

    start: int = Field(description="First address.")
    end: int = Field(description="Address behind the last one.")
    what: str
    carried_bytes: int = Field(description="Bytes of it that are in the image; the rest stays as it is on the chip.")


class ImageReport(BaseModel):
    """What `inspect` and `build` tell about an image."""

    path: str
    image_bytes: int
    blocks: int = Field(description="UF2 blocks of 512 bytes.")
    family: str
    family_id: int
    board: str
    micropython: str
    airquill: str | None = Field(description="Firmware version; None for a stock firmware.")
    build: str | None = Field(description="Hash over all files, as the unit gives it in its greeting.")
    registry: str | None = Field(description="Hash of the registry that the firmware speaks.")
    setting_ids: list[int] = Field(description="Ids of the settings that the firmware knows; empty if it does not say.")
    wiring: str | None = Field(description="Name of the board wiring inside.")
    settings: dict[str, str] | None = Field(
        description="Settings that differ from the factory's in the record it carries; None when it carries none, so "
        "that a unit keeps its own."
    )
    addons: list[str]
    files: list[FileReport]
    map: list[Region]
    warnings: list[str]

    def drawing(self) -> str:
        """The address map as text, one line a stretch, lowest address first."""
        lines = []
        for region in self.map:
            size = region.end - region.start
            filled = round(24 * region.carried_bytes / size) if size else 0
            lines.append(
                f"0x{region.start:08X} |{'#' * filled}{'.' * (24 - filled)}| {region.what}, "
                f"{region.carried_bytes} of {size} bytes carried"
            )
        lines.append(f"0x{self.map[-1].end:08X}")
        return "\n".join(lines)
