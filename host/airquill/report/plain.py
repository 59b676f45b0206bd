"""Text that others wrote, made fit to be shown: no terminal takes a command from it, and no line is turned around."""

from __future__ import annotations

import unicodedata


def printable(text: str, longest: int = 200) -> str:
    """The text in one line, without control and format characters (Unicode categories C*), cut where it is too long."""
    joined = " ".join(text[: 4 * longest].split())
    kept = "".join(character for character in joined if not unicodedata.category(character).startswith("C"))
    return kept if len(kept) <= longest else kept[: longest - 1] + "…"
