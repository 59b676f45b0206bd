"""`airquill profile`: a unit's settings as a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from airquill.cli.common import Json, Port, counted, open_unit, warn, write_json
from airquill.cli.complete import complete_layout
from airquill.cli.consent import consent, show_changes

if TYPE_CHECKING:
    from airquill.link.client import Client
    from airquill.profile.document import Profile
    from airquill.profile.exchange import Difference

app = typer.Typer(help="A unit's settings as a TOML file: write, check, compare, apply.", no_args_is_help=True)

File = Annotated[Path, typer.Argument(metavar="FILE", help="The profile.")]


@app.command(epilog="Example: airquill profile export heather.toml --title 'Heather boards'")
def export(
    file: File,
    title: Annotated[str | None, typer.Option(help="What the profile is for.")] = None,
    layout: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", autocompletion=complete_layout, help="Keyboard layout of the PC, for quoted text."
        ),
    ] = None,
    port: Port = None,
) -> None:
    """Write the unit's running settings into a file. A file that is there keeps its comments and order."""
    from airquill.keys import layout as find_layout
    from airquill.profile.rewrite import export as write

    name = find_layout(layout).name if layout else None
    with open_unit(port) as unit:
        count = write(file, unit.settings(), unit.all_settings(), name, title)
    typer.echo(f"{file}: {counted(count, 'setting')}.")


@app.command(epilog="Example: airquill profile check heather.toml")
def check(file: File, as_json: Json = False) -> None:
    """Check a file without a unit: names, types, ranges, and the rules between settings."""
    profile = _load(file)
    if as_json:
        write_json({"registry": profile.registry, "settings": len(profile.values), "warnings": profile.warnings})
    else:
        typer.echo(f"{file} is sound: {counted(len(profile.values), 'setting')} for registry {profile.registry}.")


@app.command(epilog="Example: airquill profile diff heather.toml")
def diff(file: File, port: Port = None, as_json: Json = False) -> None:
    """Show where unit and file differ. Leaves with 0 when they agree and with 1 when not."""
    profile = _load(file)
    with open_unit(port) as unit:
        changes = _differences(unit, profile)
    if as_json:
        write_json([change.as_json() for change in changes])
    elif changes:
        show_changes(changes, layout=profile.layout)
    else:
        typer.echo(f"The unit agrees with {file}, in {counted(len(profile.values), 'setting')}.")
    if changes:
        raise typer.Exit(1)


@app.command(epilog="Example: airquill profile apply heather.toml --yes")
def apply(
    file: File,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    yes_keys: Annotated[
        bool, typer.Option("--yes-keys", help="Agree to what is shown in red, this time: strokes that need consent.")
    ] = False,
    port: Port = None,
) -> None:
    """Make a unit run and keep what the file says: all of it or nothing.

    Shows what changes and asks once. Strokes that could command the PC are shown in red and need their own consent,
    which is remembered for exactly that stroke.
    """
    from airquill.profile.exchange import apply as make

    profile = _load(file)
    with open_unit(port) as unit:
        changes = _differences(unit, profile)
        if changes:
            show_changes(changes, layout=profile.layout)
            consent(changes, yes, yes_keys)
        make(unit, changes)
    typer.echo(f"Applied and saved: {counted(len(changes), 'change')}." if changes else "Nothing to change.")


def _load(file: Path) -> Profile:
    from airquill.profile.document import load

    profile = load(file)
    for warning in profile.warnings:
        warn(warning)
    return profile


def _differences(unit: Client, profile: Profile) -> list[Difference]:
    from airquill.link.entries import ADDON
    from airquill.profile.exchange import differences, fitted, missing_on_unit

    missing = missing_on_unit(unit.settings(), profile)
    older = [path for path in missing if not path.startswith(ADDON)]
    if older:
        warn(f"This unit's firmware is older than the profile and does not have: {', '.join(older)}.")
    if len(older) < len(missing):
        addons = [path for path in missing if path.startswith(ADDON)]
        warn(f"This unit does not have the add-on for: {', '.join(addons)}.")
    return differences(unit.settings(), unit.all_settings(), fitted(unit.settings(), profile))
