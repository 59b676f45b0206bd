"""Changes of settings, shown before they are made, and a person's yes to them."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

import typer

from airquill.cli.common import console, table

if TYPE_CHECKING:
    from airquill.profile.exchange import Difference


def show_changes(
    changes: Sequence[Difference], titles: tuple[str, str] = ("Unit", "File"), layout: str | None = None
) -> None:
    """The differences as a table, with why a stroke needs consent, and what it types where the layout is known."""
    from airquill.keys import describe

    table(("Setting", *titles), [(change.path, *change.texts()) for change in changes])
    screen = console()
    for change in changes:
        for reason in change.consent():
            known = " You agreed to it before." if change.is_agreed() else ""
            screen.print(f"{change.path} {reason}.{known}", style="bold red", markup=False, soft_wrap=True)
        if layout and change.consent() and isinstance(change.in_file, bytes):
            types = f"{change.path} on a PC with layout {layout}: {describe(change.in_file, layout)}."
            screen.print(types, style="bold red", markup=False, soft_wrap=True)


def consent(changes: Sequence[Difference], yes: bool, yes_keys: bool) -> None:
    """Ask once, for all that was not agreed to on the command line. Raises AirquillError where nobody can be asked."""
    from airquill.errors import AirquillError
    from airquill.keys import remember

    risky = [change for change in changes if change.consent() and not change.is_agreed()]
    asks_keys = bool(risky) and not yes_keys
    if yes and not asks_keys:
        return
    if not sys.stdin.isatty():
        options = " ".join(option for option, wanted in (("--yes", not yes), ("--yes-keys", asks_keys)) if wanted)
        raise AirquillError(f"Nothing was changed: this needs your consent. Look at the changes, then add {options}.")
    these = "this change" if len(changes) == 1 else f"these {len(changes)} changes"
    question = f"Apply {these}" + (", and what is in red" if asks_keys else "") + "?"
    if not typer.confirm(question):
        typer.echo("Nothing was changed.")
        raise typer.Exit(1)
    if asks_keys:
        remember(change.in_file for change in risky if isinstance(change.in_file, bytes))
