"""`airquill demo`: the whole path, on a virtual unit."""

from __future__ import annotations

import contextlib
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from airquill.cli.common import Json, console, write_json

if TYPE_CHECKING:
    from rich.console import Console

    from airquill.demo.story import Step, Story
    from airquill.report.trace import Trace

app = typer.Typer()

TITLE = "Airquill: one pen for twenty Heather boards"


@app.command(epilog="Example: airquill demo --html heather.html")
def demo(
    folder: Annotated[
        Path | None,
        typer.Option("--dir", metavar="DIR", help="Folder to keep unit and records in; else a passing one."),
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", metavar="FILE", help="The page to write; else one in the temporary folder.")
    ] = None,
    as_json: Json = False,
) -> None:
    """See it all on a virtual unit, in half a minute: find, configure, remap a pedal, pick, restart, accept.

    A maker of beehive scales sets a tool up for a batch of twenty boards. The unit is the real firmware on a real
    MicroPython behind a serial port; the hands that press its pedals are the program's. Leaves with 1 when a step does
    not come to what it should.
    """
    from airquill.demo.story import tell
    from airquill.report.files import write_whole
    from airquill.report.html import story_page

    screen = _Screen(console(), as_json)
    with contextlib.ExitStack() as stack:
        if folder is None:
            place = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="airquill-demo-")))
        else:
            place = folder
        with screen:
            story = tell(place, screen.start, screen.done)
        page = html or (folder or Path(tempfile.gettempdir())) / "airquill-demo.html"
        data = story.as_json()
        write_whole(page, story_page(TITLE, data["steps"], story.record.model_dump(mode="json"), story.trace))
    if as_json:
        write_json({**data, "page": str(page)})
    else:
        _summary(screen.console, story, page, kept=folder is not None)


class _Screen:
    """Steps as they happen: on a terminal with a spinner, plain lines when piped, nothing with --json."""

    def __init__(self, on: Console, quiet: bool) -> None:
        self.console = on
        self._quiet = quiet
        self._status = on.status("") if on.is_terminal and not quiet else None
        self._number = 0

    def __enter__(self) -> _Screen:
        if self._status:
            self._status.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._status:
            self._status.stop()

    def start(self, title: str) -> None:
        if self._status:
            self._status.update(f"{title} …")

    def done(self, step: Step, trace: Trace | None) -> None:
        from airquill.report.textplot import text_plot

        if self._quiet:
            return
        self._number += 1
        self.console.print(f"[bold]{self._number}  {step.title}[/]")
        for line in step.seen:
            self.console.print(f"   {line}", style="dim", markup=False, soft_wrap=True)
        if trace:
            for line in text_plot(trace):
                self.console.print(f"   {line}", style="cyan", markup=False)


def _summary(on: Console, story: Story, page: Path, kept: bool) -> None:
    vacuum = max(story.trace.kpa)
    rows = [
        ("Keys the computer saw", ", ".join(story.keys)),
        ("Highest vacuum in the pick", f"{vacuum:.1f} kPa"),
        ("Verdict", f"{story.record.verdict}: {story.record.sentence}"),
        ("Page with the trace", str(page)),
        *([("Record", str(story.record_path))] if kept else []),
        ("Time", f"{story.seconds:.0f} s"),
    ]
    on.print()
    for name, value in rows:
        on.print(f"{name:<28}{value}", style="bold" if name == "Verdict" else "", markup=False, soft_wrap=True)
    on.print(
        "\nNext: airquill sim run keeps a unit running to play with; airquill --help lists the rest.", soft_wrap=True
    )
