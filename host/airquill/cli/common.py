"""What the commands share: options, the unit they talk to, the ways they write."""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from airquill.cli.complete import complete_layout

if TYPE_CHECKING:
    from rich.console import Console

    from airquill.link.client import Client

Port = Annotated[
    str | None,
    typer.Option(
        "--port", envvar="AIRQUILL_PORT", metavar="URL", help="Port of the unit; without it, the only unit there is."
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Write JSON.")]
Layout = Annotated[
    str,
    typer.Option(
        "--layout", metavar="NAME", autocompletion=complete_layout, help="Keyboard layout of the PC, for quoted text."
    ),
]

_WIDE = 200


def open_unit(port: str | None) -> Client:
    """The greeted unit at a port, or the only one there is. Use as a context manager."""
    from airquill.link.client import Client
    from airquill.link.discovery import the_only_unit

    return Client.open(port or the_only_unit())


def console() -> Console:
    """Standard output: coloured on a terminal, plain and wide elsewhere."""
    from rich.console import Console

    return Console(highlight=False, width=None if sys.stdout.isatty() else _WIDE)


def tell(sentence: str) -> None:
    """A sentence on standard error, for a person who is to do something."""
    typer.echo(sentence, err=True)


def say(sentence: str) -> None:
    """A sentence on standard output, for a person at a terminal; nothing when piped."""
    if sys.stdout.isatty():
        typer.echo(sentence)


def counted(number: int, thing: str) -> str:
    """`1 change`, `2 changes`."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def warn(sentence: str) -> None:
    """A warning on standard error."""
    typer.secho(f"Warning: {sentence}", err=True, fg="yellow")


@contextlib.contextmanager
def progress(what: str, total: int, quiet: bool = False) -> Iterator[Callable[[int], None]]:
    """A bar on standard error while `total` bytes go; yields what is told how many went. Only at a terminal."""
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn

    shown = not quiet and sys.stderr.isatty()
    columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), disable=not shown) as bar:
        task = bar.add_task(what, total=total)
        yield lambda count: bar.advance(task, count)


def write_json(data: Any) -> None:
    """Data as JSON on standard output; numbers with decimals stay exact, strokes become hex."""
    typer.echo(json.dumps(data, indent=2, default=_plain))


def _plain(value: Any) -> Any:
    return value.hex() if isinstance(value, bytes) else float(value)


def table(titles: Sequence[str], rows: Sequence[Sequence[str]], on: Console | None = None) -> None:
    """A table without frames; nothing in it is read as markup."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    made = Table(*titles, box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="bold")
    for row in rows:
        made.add_row(*(Text(cell) for cell in row))
    (on or console()).print(made)
