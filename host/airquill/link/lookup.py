"""Names that a person writes: to the entries that are meant, or to a sentence with the nearest ones."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence

from airquill.errors import AirquillError
from airquill.link.entries import Action, Reading, Setting


def nearest(name: str, names: Iterable[str], count: int = 3) -> list[str]:
    """The names most like this one, best first. A name without its group counts too: `ramp_ms` for `pump.ramp_ms`."""
    known = list(names)
    tails = [other for other in known if other.rpartition(".")[2] == name]
    close = difflib.get_close_matches(name, known, n=count, cutoff=0.6)
    return list(dict.fromkeys(tails + close))[:count]


def did_you_mean(name: str, names: Iterable[str]) -> str:
    """` Did you mean ...?` or an empty text."""
    near = nearest(name, names)
    return f" Did you mean {' or '.join(near)}?" if near else ""


def find_setting(path: str, entries: Sequence[Setting]) -> Setting:
    """The setting of a path. Raises AirquillError naming the nearest."""
    for entry in entries:
        if entry.path == path:
            return entry
    hint = did_you_mean(path, (entry.path for entry in entries)) or " `airquill show settings` lists all."
    raise AirquillError(f"There is no setting {path}.{hint}")


def find_entries(
    names: Sequence[str], settings: Sequence[Setting], readings: Sequence[Reading]
) -> list[Setting | Reading]:
    """Entries meant by `settings`, `readings`, a group such as `pump`, or a path. Raises AirquillError."""
    known: list[Setting | Reading] = [*settings, *readings]
    found: list[Setting | Reading] = []
    for name in names:
        if name == "settings":
            found += settings
        elif name == "readings":
            found += readings
        else:
            meant = [entry for entry in known if entry.path == name or entry.path.startswith(name + ".")]
            if not meant:
                groups = {entry.path.partition(".")[0] for entry in known}
                hint = did_you_mean(name, sorted(groups) + [entry.path for entry in known])
                raise AirquillError(
                    f"There is no setting, reading or group {name}.{hint or ' `airquill show settings` lists all.'}"
                )
            found += meant
    return list(dict.fromkeys(found))


def find_action(name: str, actions: Sequence[Action]) -> Action:
    """The action of a name. Raises AirquillError naming the nearest, or all."""
    for action in actions:
        if action.name == name:
            return action
    names = [action.name for action in actions]
    raise AirquillError(f"There is no action {name}.{did_you_mean(name, names) or ' There are: ' + ', '.join(names)}")
