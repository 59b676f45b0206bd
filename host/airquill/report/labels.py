"""A sheet of labels to print: serial as text and as QR code (ISO/IEC 18004)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import segno

from airquill.report.html import page

QR_SCALE = 8
"""Pixels of one module: enough to print at 20 mm."""


@dataclass(frozen=True)
class Label:
    """What one label says."""

    serial: str
    name: str
    firmware: str
    build: str

    @property
    def qr(self) -> str:
        """The QR code of the serial, as the address of a picture that is inside the page."""
        return str(segno.make(self.serial, error="m", micro=False).png_data_uri(scale=QR_SCALE, border=4))


def label_sheet(labels: Sequence[Label]) -> str:
    """The sheet as one page that opens anywhere."""
    return page("labels.html.j2", labels=labels)
