"""A profile against a unit: what differs, what needs consent, and applying it all or nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from airquill.errors import AirquillError
from airquill.keys import is_agreed, reasons
from airquill.link.client import Client
from airquill.link.convert import Value, parse_typed, plain, takes
from airquill.link.entries import ADDON, Setting
from airquill.profile.document import Profile
from airquill.profile.written import stroke_text, written

# Settings that let strokes through which the unit else refuses.
_OPENS = {
    "keys.allow_system": "lets strokes hold Control, Alt or GUI, which can command the PC",
    "keys.allow_text": "lets strokes be long enough to type a command",
}


@dataclass(frozen=True)
class Difference:
    """A setting that the file has otherwise than the unit."""

    entry: Setting
    on_unit: Value
    in_file: Value

    @property
    def path(self) -> str:
        return self.entry.path

    def consent(self) -> list[str]:
        """Why a person must agree to what is in the file; empty for all that needs no consent."""
        if self.path in _OPENS and self.in_file is True:
            # Else the file that brings a dangerous stroke could also bring the permission for it, unseen.
            return [_OPENS[self.path]]
        return reasons(self.in_file) if isinstance(self.in_file, bytes) and self.in_file else []

    def is_agreed(self) -> bool:
        """Whether this user agreed to exactly this stroke before. A permission is asked for each time."""
        return isinstance(self.in_file, bytes) and is_agreed(self.in_file)

    def texts(self) -> tuple[str, str]:
        """The unit's value and the file's, for people."""
        return written(self.entry, self.on_unit), written(self.entry, self.in_file)

    def as_json(self) -> dict[str, Any]:
        return {
            "path": self.path,
            "unit": _plain(self.on_unit),
            "file": _plain(self.in_file),
            "consent": self.consent(),
        }


def _plain(value: Value) -> Any:
    return stroke_text(value) if isinstance(value, bytes) else value


def fitted(entries: Sequence[Setting], profile: Profile) -> Profile:
    """The profile with its add-on settings as the unit types them. Raises AirquillError for one that does not fit."""
    values = dict(profile.values)
    for entry in entries:
        value = values.get(entry.path)
        if entry.path.startswith(ADDON) and value is not None:
            text = plain(value)
            if isinstance(value, bool) != (entry.type == "flag") or isinstance(value, str) != (
                entry.type in ("word", "text")
            ):
                raise AirquillError(f"{entry.path} takes {takes(entry)}, not {text}.")
            values[entry.path] = parse_typed(entry, entry.path, text)
    return replace(profile, values=values)


def missing_on_unit(entries: Sequence[Setting], profile: Profile) -> list[str]:
    """Paths of the profile that a unit with these settings does not have."""
    known = {entry.path for entry in entries}
    return [path for path in profile.values if path not in known]


def differences(entries: Sequence[Setting], running: Mapping[str, Value], profile: Profile) -> list[Difference]:
    """What the profile would change, in the unit's order."""
    return [
        Difference(entry, running[entry.path], profile.values[entry.path])
        for entry in entries
        if entry.path in profile.values and running[entry.path] != profile.values[entry.path]
    ]


def apply(unit: Client, changes: Sequence[Difference]) -> None:
    """Make the unit run and keep these values, all of them or none.

    Raises AirquillError when the unit refuses them or the link breaks; the unit then has its old settings, or, when the
    link broke while the unit was saving, all of the new ones.
    """
    if changes:
        unit.set({change.path: change.in_file for change in changes}, keep=True)
    elif unit.get("settings.unsaved")["settings.unsaved"]:
        unit.save()
