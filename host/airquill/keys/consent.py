"""What a person has agreed to: strokes by their fingerprint, one a line, in a file of the user's state folder.

Only a person's answer is remembered, never an option of a script.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from airquill.errors import AirquillError
from airquill.keys.risk import fingerprint
from airquill.link.state import state_folder

_FINGERPRINT_LENGTH = 64


def _place() -> Path:
    return state_folder() / "agreed-strokes"


def _known() -> set[str]:
    """Fingerprints in the file; a damaged line is no consent."""
    try:
        lines = _place().read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return set()
    return {line for line in lines if len(line) == _FINGERPRINT_LENGTH}


def is_agreed(program: bytes) -> bool:
    """Whether this user has agreed to exactly this stroke program before."""
    return fingerprint(program) in _known()


def remember(programs: Iterable[bytes]) -> None:
    """Note that this user has agreed to these. Raises AirquillError when it cannot be noted; what was noted stays."""
    known = _known() | {fingerprint(program) for program in programs}
    place = _place()
    beside = place.with_suffix(".new")
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text("".join(f"{one}\n" for one in sorted(known)), encoding="ascii")
        beside.replace(place)
    except OSError as error:
        raise AirquillError(
            f"Your consent cannot be noted in {place.parent}: {error.strerror}. "
            "Set AIRQUILL_STATE to a folder that you may write."
        ) from error
