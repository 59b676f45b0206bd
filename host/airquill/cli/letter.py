"""`airquill letter`: the one file that a buyer sends to the maker of a unit, and what the maker does with it."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from airquill.cli.asking import ask_person, hands_here, model_here
from airquill.cli.common import Json, Port, console, counted, open_unit, table, tell, write_json

if TYPE_CHECKING:
    from airquill.letter.compare import Accepted, Comparison
    from airquill.letter.model import Letter
    from airquill.link.client import Client
    from airquill.tuning.baseline import Baseline
    from airquill.tuning.checkup import Checkup
    from airquill.tuning.diagnose import Diagnosis
    from airquill.tuning.tool import Tool

_BOOK = Path("records/book.sqlite")
_MAKE = "make"
_USUAL_GAUGE = 22


class _Letter(TyperGroup):
    """`letter FILE` is `letter make FILE`: who sends one need not know that there is more."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        if args and args[0] not in self.commands and args[0] not in ctx.help_option_names:
            args = [_MAKE, *args]
        return super().parse_args(ctx, args)


app = typer.Typer(
    cls=_Letter,
    no_args_is_help=True,
    help="Make the one file that a buyer sends (letter FILE), or read one and draft a reply (letter read FILE).",
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.command(_MAKE, epilog="Examples: airquill letter heather-07.letter; airquill letter --no-test heather-07.letter")
def make(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The file to write.")],
    test: Annotated[bool, typer.Option("--test/--no-test", help="Test the unit first: two minutes.")] = True,
    needle: Annotated[
        int | None,
        typer.Option(metavar="GAUGE", help="Needle on the tip; without it, the one the unit was accepted with, or 22."),
    ] = None,
    altitude: Annotated[
        float, typer.Option(metavar="M", min=-500, max=6000, help="Altitude in m; levels are corrected for it.")
    ] = 0,
    yes: Annotated[bool, typer.Option("--yes", help="Write it without asking.")] = False,
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Make a letter to the maker of your unit: what it is, its settings, log and counters, and a test.

    You are told in words what is in it, and asked, before it is written. It holds the chip's number and the serial, and
    nothing of what your pedals type, of names that you gave, or of you.
    """
    from airquill.errors import AirquillError
    from airquill.letter.collect import collect
    from airquill.letter.contents import NOT_IN_IT, contents
    from airquill.letter.model import refuse_taken, write_letter
    from airquill.pneumatics.needles import SIZES_MM
    from airquill_hil.record import host_versions

    refuse_taken(file)
    if not yes and not sys.stdin.isatty():
        raise AirquillError("Nothing was written: a letter needs your yes. Add --yes, or run this at a terminal.")
    if needle is not None and needle not in SIZES_MM:
        raise AirquillError(f"No needle of {needle} gauge is known; there are 14 to 34.")
    with open_unit(port) as unit:
        checkup, answers = _test(unit, needle, altitude, quiet=as_json) if test else (None, {})
        letter = collect(unit, checkup, host_versions(), answers)
    held = contents(letter)
    if not as_json:
        typer.echo(f"{file} will hold:")
        for sentence in held:
            typer.echo(f"- {sentence}")
        typer.echo(NOT_IN_IT)
    if not yes and not typer.confirm("Write it?", err=as_json):
        tell("Nothing was written.")
        raise typer.Exit(1)
    write_letter(file, letter)
    if as_json:
        write_json({"file": str(file), "chip": letter.unit.chip, "serial": letter.unit.serial, "holds": held})
    else:
        typer.echo(f"Written. Send {file} to the maker of the unit.")


def _test(unit: Client, needle: int | None, altitude: float, quiet: bool) -> tuple[Checkup, dict[str, str]]:
    """The unit's test; without a sensor also what the person at this terminal sees and hears, if there is one."""
    from airquill.errors import AirquillError
    from airquill.tuning.baseline import SETTING, Baseline
    from airquill.tuning.checkup import run_checkup
    from airquill.tuning.tool import Tool

    kept = Baseline.of_text(str(unit.all_settings().get(SETTING, "")))
    needle = needle or (kept.needle_gauge if kept is not None else _USUAL_GAUGE)
    screen = console()
    shown = screen.is_terminal and not quiet
    with contextlib.ExitStack() as stack:
        tool = Tool(unit, hands_here(unit, stack))
        checkup = run_checkup(
            tool, needle, altitude, lambda step: screen.print(f"… {step}", style="dim") if shown else None
        )
        if tool.left_unsafe:
            raise AirquillError(tool.left_unsafe, 3)
        if checkup.traces or checkup.stopped_by or not sys.stdin.isatty():
            return checkup, {}
        stack.callback(tool.safe)  # also after Ctrl-C at a question
        return checkup, _asked(tool, checkup, kept)


def _asked(tool: Tool, checkup: Checkup, kept: Baseline | None) -> dict[str, str]:
    """Answers to the questions that tell most, by name."""
    from airquill.tuning.asking import hold
    from airquill.tuning.diagnose import Evidence, reference
    from airquill.tuning.questions import Inquiry, answer_tables

    tell("This unit has no vacuum sensor. Try what follows, as far as you can; the maker gets your answers.")
    model = model_here(checkup.needle_gauge)
    expected = reference(model, kept if kept is not None and kept.needle_gauge == checkup.needle_gauge else None)
    logs = Evidence(model, expected, checkup).logs
    answered = hold(Inquiry(answer_tables(model, expected), logs, sensor=False), ask_person, tool)
    return {one.question.name: one.said for one in answered}


@app.command(epilog="Example: airquill letter read heather-07.letter --book shop.sqlite --out heather-07.html")
def read(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The letter.")],
    book: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Record book with the unit's acceptance; without it, records/book.sqlite if there."
        ),
    ] = None,
    profile: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The profile that the unit was shipped with.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="PAGE", help="Write a page with a plot.")] = None,
    as_json: Json = False,
) -> None:
    """Read a letter: compare it with the unit as it was accepted, say what differs, and draft a reply.

    Without a record of the unit, its own figures of acceptance are taken, as far as the letter has them. What does not
    fit together is said to you and not to the buyer.
    """
    from airquill.letter.compare import Accepted, compared
    from airquill.letter.model import read_letter
    from airquill.letter.reply import drafted
    from airquill.profile.document import load
    from airquill.report.files import write_whole
    from airquill.report.letter import letter_page

    letter = read_letter(file)
    shipped = load(profile).values if profile is not None else None
    accepted = _accepted(letter, book) or Accepted.of_letter(letter)
    found = compared(letter, accepted, shipped)
    diagnosis = _diagnosed(letter, accepted)
    reply = drafted(letter, accepted, found, diagnosis)
    if out is not None:
        write_whole(out, letter_page(letter, accepted, found, diagnosis, reply))
    if as_json:
        _write_json(letter, accepted, found, diagnosis, reply.text(), out)
        return
    _show(letter, accepted, found)
    typer.echo(f"\nDraft of a reply{f', also in {out}' if out is not None else ''}:\n")
    typer.echo(reply.text())


def _accepted(letter: Letter, book: Path | None) -> Accepted | None:
    """The unit's last good run in a record book; the book must be there when it was named."""
    from airquill.letter.collect import word_of
    from airquill.letter.compare import Accepted
    from airquill.report.trace import Trace
    from airquill_hil.book import Book
    from airquill_hil.record import Record

    if book is None and not _BOOK.is_file():
        return None
    with Book(book or _BOOK) as opened:
        runs = [one for one in opened.records() if isinstance(one, Record)]
    good = [run for run in runs if run.verdict in ("accepted", "partial")]
    unit = letter.unit
    mine = [run for run in good if run.unit.chip == unit.chip] or [
        run for run in good if unit.serial and word_of(run.serial) == unit.serial
    ]
    if not mine:
        return None
    last = mine[-1]
    figures = {figure.name: figure for check in last.checks for figure in check.figures}
    traces = {name: trace for check in last.checks for name, trace in check.traces.items()}
    return Accepted(
        source=f"the record of its acceptance of {last.started[:10]}",
        serial=last.serial,
        chip=last.unit.chip,
        firmware=last.unit.firmware,
        build=last.unit.build,
        needle_gauge=last.needle_gauge,
        figures=_numbers(last),
        limits={name: (figure.low, figure.high) for name, figure in figures.items()},
        baseline=last.baseline,
        sealed=Trace.of_json(traces["sealed tip"]) if "sealed tip" in traces else None,
        others=[_numbers(run) for run in good if run.unit.chip != last.unit.chip],
    )


def _numbers(run: Any) -> dict[str, float]:
    """The figures of a run that are numbers."""
    figures = [figure for check in run.checks for figure in check.figures]
    return {one.name: float(one.value) for one in figures if one.value is not None and not isinstance(one.value, bool)}


def _diagnosed(letter: Letter, accepted: Accepted | None) -> Diagnosis | None:
    """What test and answers say of the causes."""
    from airquill.letter.reply import judged, tells

    if letter.checkup is None or not tells(letter):
        return None
    return judged(letter, accepted, model_here(letter.checkup.needle_gauge))


def _show(letter: Letter, accepted: Accepted | None, found: Comparison) -> None:
    from airquill.report.letter import figure_rows

    unit = letter.unit
    against = f"compared with {accepted.source}" if accepted is not None else "with nothing to compare it with"
    typer.echo(
        f"Letter of {letter.made[:10]} from {unit.serial or 'a unit without serial'}, chip {unit.chip}, {against}."
    )
    for doubt in found.doubts:
        typer.secho(f"Look at this first: {doubt}", fg="yellow")
    if found.figures:
        rows = [
            (title, f"{now} (outside)" if outside else now, then, limits, others)
            for title, now, then, limits, others, outside in figure_rows(found)
        ]
        table(("Figure", "Now", "Accepted", "Limit", "Other good units"), rows)
    for sentence in [*found.versions, *found.counters]:
        typer.echo(sentence)
    if found.settings:
        table(("Setting", "In the letter", f"In {found.settings_against}"), found.settings)
    if found.unknown_settings:
        typer.echo(f"Settings that this Airquill does not know: {', '.join(found.unknown_settings)}.")
    if found.log:
        rows_of_log = [
            (entry.word, counted(entry.times, "time"), "also lately" if entry.lately else "", entry.sentence)
            for entry in found.log
        ]
        table(("Log", "How often", "", "In words"), rows_of_log)


def _write_json(
    letter: Letter,
    accepted: Accepted | None,
    found: Comparison,
    diagnosis: Diagnosis | None,
    reply: str,
    out: Path | None,
) -> None:
    write_json(
        {
            "unit": letter.unit.model_dump(),
            "made": letter.made,
            "against": accepted.source if accepted is not None else None,
            "doubts": found.doubts,
            "versions": found.versions,
            "settings": [{"path": path, "letter": here, "other": there} for path, here, there in found.settings],
            "settings_against": found.settings_against,
            "unknown_settings": found.unknown_settings,
            "figures": [{**vars(row), "outside": row.is_outside} for row in found.figures],
            "log": [vars(entry) for entry in found.log],
            "counters": found.counters,
            "causes": diagnosis.likelihoods if diagnosis is not None else None,
            "named": diagnosis.named if diagnosis is not None else None,
            "reply": reply,
            "page": str(out) if out is not None else None,
        }
    )
