"""The root of the command line: commands that load when they are called, and errors turned into sentences."""

from __future__ import annotations

import importlib
import sys
import traceback
from typing import Any, NamedTuple, NoReturn

import typer
from typer.core import TyperCommand, TyperGroup

from airquill.errors import AirquillError

SOFTWARE_ERROR = 70  # EX_SOFTWARE of sysexits.h (4.3BSD): a fault of the program, not of what was asked


class Entry(NamedTuple):
    """One command of the root. `module` holds a typer app called `app`; it is imported when the command is called."""

    name: str
    module: str
    help: str
    panel: str


class _Listed(TyperCommand):
    """Stands for a command in the help page until it is called."""

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry.name, help=entry.help, rich_help_panel=entry.panel)
        self.module = entry.module

    def load(self) -> Any:
        command = typer.main.get_command(importlib.import_module(self.module).app)
        command.name = self.name
        # Typer offers these for every app; they belong to the root alone.
        command.params = [p for p in command.params if p.name not in ("install_completion", "show_completion")]
        return command


class Root(TyperGroup):
    """A group whose commands are imported one at a time, so that `--help` does not wait for all of them."""

    entries: tuple[Entry, ...] = ()

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        for entry in self.entries:
            self.add_command(_Listed(entry))

    def resolve_command(self, ctx: Any, args: list[str]) -> tuple[str | None, Any, list[str]]:
        name, command, rest = super().resolve_command(ctx, args)
        return name, command.load() if isinstance(command, _Listed) else command, rest

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except Exception as error:
            _leave(error, debug=bool(ctx.params.get("debug")))


def _leave(error: Exception, debug: bool) -> NoReturn:
    """The only place where an exception becomes a sentence and an exit code."""
    if isinstance(error, typer.Exit | typer.Abort | EOFError | BrokenPipeError) or hasattr(error, "format_message"):
        raise error  # typer's own, which it words and turns into exit codes itself
    if debug:
        traceback.print_exception(error, file=sys.stderr)
    if isinstance(error, AirquillError):
        say_error(error.sentence)
        raise typer.Exit(error.exit_code) from error
    say_error(
        f"Airquill failed at this ({type(error).__name__}: {error}). That is a fault of the program: please report it "
        "with what `airquill --debug ...` prints for the same command."
    )
    raise typer.Exit(SOFTWARE_ERROR) from error


def say_error(sentence: str) -> None:
    """One sentence on standard error, in red on a terminal."""
    typer.secho(sentence, err=True, fg="red")
