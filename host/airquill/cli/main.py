"""The command `airquill`. A new command is one line in COMMANDS and one file beside this one."""

from __future__ import annotations

from typing import Annotated

import typer

from airquill.cli.root import Entry, Root

UNIT = "The unit"
PROFILE = "Profiles and keys"
BOARD = "The board on the bench"
BENCH = "Bench and firmware"

# Help texts stand here a second time in each file's own words, so that `airquill --help` need not import them all.
COMMANDS = (
    Entry("find", "airquill.cli.find", "Find units, bare boards and boot volumes.", UNIT),
    Entry("show", "airquill.cli.show", "Show what a unit is, has and does.", UNIT),
    Entry("set", "airquill.cli.set", "Change settings.", UNIT),
    Entry("watch", "airquill.cli.watch", "Watch readings as they change.", UNIT),
    Entry("do", "airquill.cli.act", "Tell a unit to pick, release, stop, learn and so on.", UNIT),
    Entry("log", "airquill.cli.log", "Show what went wrong in a unit's life.", UNIT),
    Entry("diagnose", "airquill.cli.diagnose", "Say what is likely wrong with a unit, and what to do.", UNIT),
    Entry("restart", "airquill.cli.restart", "Restart a unit.", UNIT),
    Entry("keys", "airquill.cli.keys", "Bind key strokes to pedals and to the pick cycle.", PROFILE),
    Entry("pedals", "airquill.cli.pedals", "Record how pedals bounce, check their wiring.", PROFILE),
    Entry("profile", "airquill.cli.profile", "A unit's settings as a file: write, check, compare, apply.", PROFILE),
    Entry("wiring", "airquill.cli.wiring", "Check a unit's wiring, or a wiring file.", BENCH),
    Entry("parts", "airquill.cli.parts", "Plan a board: needle, preset, order and kit for every part.", BOARD),
    Entry("backup", "airquill.cli.backup", "Save all that a unit knows into a file.", PROFILE),
    Entry("restore", "airquill.cli.restore", "Give a unit the settings of a backup.", PROFILE),
    Entry("letter", "airquill.cli.letter", "Make a letter to a unit's maker, or read one and draft a reply.", PROFILE),
    Entry("undo", "airquill.cli.undo", "Go back to the settings before the last change.", PROFILE),
    Entry("accept", "airquill.cli.accept", "Check a unit against limits, and record it.", BENCH),
    Entry("tune", "airquill.cli.tune", "Measure a unit, fit its air, recommend settings.", BENCH),
    Entry("book", "airquill.cli.book", "Record books: look into, add, merge.", BENCH),
    Entry("yield", "airquill.cli.yields", "First-pass yield and statistics of a batch.", BENCH),
    Entry("gauge", "airquill.cli.gauge", "How good a measurement is, out of repeated runs.", BENCH),
    Entry("provision", "airquill.cli.provision", "Flash, set up, accept and label a batch of units.", BENCH),
    Entry("demo", "airquill.cli.demo", "See it all on a virtual unit, in half a minute.", BENCH),
    Entry("sim", "airquill.cli.sim", "Run a virtual unit.", BENCH),
    Entry("chip", "airquill.cli.chip", "Run the firmware on an emulated chip, or measure it there.", BENCH),
    Entry("update", "airquill.cli.update", "Give a unit another version of the firmware, while it runs.", BENCH),
    Entry("flash", "airquill.cli.flash", "Put an image onto a unit, or onto a bare board.", BENCH),
    Entry("image", "airquill.cli.image", "Build a firmware image and look into one.", BENCH),
)


class _Airquill(Root):
    entries = COMMANDS


app = typer.Typer(
    cls=_Airquill,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"airquill {version('airquill')}")
        raise typer.Exit


@app.callback(
    epilog="Exit codes: 0 done, 1 the answer is no, 2 bad input, 3 no unit or link lost. "
    "Example: airquill find, then airquill show."
)
def airquill(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and leave.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", hidden=True, help="Show the traceback of an error.")] = False,
) -> None:
    """Configure, tune and prove a hand vacuum pick-up tool."""
