"""Shell completion of setting and reading paths, from the registry."""

from __future__ import annotations


def complete_shown(incomplete: str) -> list[tuple[str, str]]:
    """Paths, groups and the two lists."""
    from airquill.link.catalogue import READINGS, SETTINGS

    found = [(entry.path, entry.help) for entry in (*SETTINGS, *READINGS)]
    groups = dict.fromkeys(path.partition(".")[0] for path, _ in found)
    found += [(group, f"All of {group}.") for group in groups]
    found += [("settings", "All settings."), ("readings", "All readings.")]
    return [pair for pair in found if pair[0].startswith(incomplete)]


def complete_assignment(incomplete: str) -> list[tuple[str, str]]:
    """`PATH=`, and behind the sign the words that are possible."""
    from airquill.link.catalogue import SETTINGS

    path, sign, _ = incomplete.partition("=")
    if not sign:
        return [(f"{entry.path}=", entry.help) for entry in SETTINGS if entry.path.startswith(path)]
    for entry in SETTINGS:
        if entry.path == path:
            words = ("on", "off") if entry.type == "flag" else entry.words
            return [(f"{path}={word}", "") for word in words if f"{path}={word}".startswith(incomplete)]
    return []


def complete_action(incomplete: str) -> list[tuple[str, str]]:
    """Names of actions."""
    from airquill.link.catalogue import ACTIONS

    return [(action.name, action.help) for action in ACTIONS if action.name.startswith(incomplete)]


def complete_layout(incomplete: str) -> list[str]:
    """Names of keyboard layouts."""
    from airquill.keys import LAYOUT_NAMES

    return [name for name in LAYOUT_NAMES if name.startswith(incomplete)]
