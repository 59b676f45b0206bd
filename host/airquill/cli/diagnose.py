"""`airquill diagnose`: what is wrong with this unit, and what to do about it?"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from airquill.cli.asking import ask_person, hands_here, model_here
from airquill.cli.common import Json, Port, console, counted, open_unit, table, tell, write_json

if TYPE_CHECKING:
    from airquill.tuning.asking import Ask, Conclusion
    from airquill.tuning.checkup import Checkup

app = typer.Typer()

_SHOWN = 0.01
_FAR = 3.0
_USUAL_GAUGE = 22


@app.command(
    epilog="Examples: airquill diagnose --altitude 520 --out heather.html, "
    "airquill diagnose --no-sensor --answers seen.txt"
)
def diagnose(
    needle: Annotated[
        int | None, typer.Option(metavar="G", help="Gauge of the needle; without it, the baseline's, else 22.")
    ] = None,
    altitude: Annotated[
        float, typer.Option(metavar="M", help="Altitude of the bench in m; levels are corrected for it.")
    ] = 0,
    book: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Record book: its good units are the fleet that this one is compared with."),
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Write a page with plots.")] = None,
    answers: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Answers to questions, as lines `question: answer`; - is standard input."),
    ] = None,
    no_sensor: Annotated[bool, typer.Option("--no-sensor", help="Do not use the vacuum sensor; ask instead.")] = False,
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Say what is likely wrong with a unit: a two-minute checkup, then questions where it does not say enough.

    The unit is compared with its own baseline, which accept wrote into it, or with the fleet. You are asked to close
    the tip, to press the pedals, and, where the figures are not enough or there is no sensor, to try something and say
    what you saw. Leaves with 0 when it is healthy, and with 1 when a cause is named or none can be told. Nothing of
    the unit is changed; its outputs are off afterwards, also after Ctrl-C.
    """
    from airquill.report.files import write_whole
    from airquill.tuning.asking import WithoutSensor, conclude
    from airquill.tuning.baseline import SETTING
    from airquill.tuning.checkup import run_checkup, sea_level_factor
    from airquill.tuning.diagnose import reference
    from airquill.tuning.grounds import baseline_in, check_stop
    from airquill.tuning.tool import Tool

    sea_level_factor(altitude)  # one that cannot be is said before the unit is touched
    given = _answers(answers)
    if out is not None:
        _check_place(out)
    with contextlib.ExitStack() as stack:
        unit = stack.enter_context(open_unit(port))
        baseline = baseline_in(unit)
        notes = []
        gauge = needle or (baseline.needle_gauge if baseline else _USUAL_GAUGE)
        if baseline is not None and baseline.needle_gauge != gauge:
            notes.append(f"The {SETTING} is for a {baseline.needle_gauge}G needle, so it says nothing here.")
            baseline = None
        good = _good_units(book, gauge) if book is not None else []
        model = model_here(gauge)
        tool = (WithoutSensor if no_sensor else Tool)(unit, hands_here(unit, stack))
        found = run_checkup(tool, gauge, altitude, _say_step)
        _check_left_safe(tool.left_unsafe)
        check_stop(unit, found)
        if not found.stopped_by:
            stack.callback(tool.safe)  # also after Ctrl-C at a question
        ask = _ask(given)
        by_hand = tool if given is None else None
        judged = conclude(model, reference(model, baseline, good), found, ask, by_hand)
        name = str(unit.get("unit.name")["unit.name"]) or unit.greeting.chip
    found.notes.extend(notes)
    if out is not None:
        from airquill.report.diagnose import diagnosis_page

        write_whole(out, diagnosis_page(found, judged.diagnosis, judged.answered, f"unit {name}"))
    if as_json:
        write_json(_as_json(found, judged, out))
    else:
        _show(found, judged, out)
    raise typer.Exit(0 if judged.diagnosis.named == "healthy" else 1)


def _answers(file: Path | None) -> dict[str, str] | None:
    from airquill.errors import AirquillError
    from airquill.tuning.asking import read_answers

    if file is None:
        return None
    if str(file) == "-":
        return read_answers(sys.stdin.read(), "standard input")
    try:
        return read_answers(file.read_text(encoding="utf-8"), str(file))
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no text"
        raise AirquillError(f"{file} cannot be read: {why}.") from error


def _ask(given: Mapping[str, str] | None) -> Ask | None:
    """The answers that were given, or those of the person at this terminal, or none."""
    from airquill.tuning.asking import from_answers

    if given is not None:
        return from_answers(given)
    return ask_person if sys.stdin.isatty() else None


def _good_units(book: Path, gauge: int) -> list[dict[str, float | None]]:
    """Figures of the accepted units of a record book that were measured with such a needle, each its last run."""
    from airquill_hil.book import Book
    from airquill_hil.record import Record

    found: dict[str, dict[str, float | None]] = {}
    with Book(book) as opened:
        for record in opened.records():
            if isinstance(record, Record) and record.verdict == "accepted" and record.needle_gauge == gauge:
                found[record.serial or record.unit.chip] = {
                    figure.name: float(figure.value)
                    for check in record.checks
                    for figure in check.figures
                    if figure.value is not None
                }
    return list(found.values())


def _say_step(step: str) -> None:
    if sys.stderr.isatty():
        tell(f"… {step}")


def _check_place(out: Path) -> None:
    from airquill.errors import AirquillError

    if out.is_dir() or not out.parent.is_dir():
        raise AirquillError(f"{out} cannot be written: name a file in a folder that is there.")


def _check_left_safe(why: str) -> None:
    from airquill.errors import AirquillError

    if why:
        raise AirquillError(why, 3)


def _show(found: Checkup, judged: Conclusion, out: Path | None) -> None:
    from airquill.tuning.causes import BY_NAME
    from airquill.tuning.told import percent, rows, sentence

    said = judged.diagnosis
    for note in found.notes:
        typer.echo(note)
    likely = [(BY_NAME[name].title, percent(share)) for name, share in said.likelihoods.items() if share >= _SHOWN]
    if not said.strange:
        table(("Cause", "Likelihood"), likely)
    far = [row for row in rows(found, said) if abs(row.healthy_sigmas) >= _FAR]
    if far:
        typer.echo(f"\n{counted(len(far), 'figure')} of {len(rows(found, said))} unlike {said.source}:")
        table(
            ("Figure", "Now", "Healthy", "Deviations"),
            [(row.title, row.now, row.expected, f"{row.healthy_sigmas:+.1f}") for row in far],
            console(),
        )
    else:
        typer.echo(f"\nCompared with {said.source}.")
    typer.secho(f"\n{sentence(said)}", bold=True)
    cause = BY_NAME[said.named] if said.named else None
    if cause is not None:
        typer.echo(cause.do)
        if cause.caution:
            typer.echo(f"Caution: {cause.caution}")
    elif judged.next_question is not None:
        typer.echo(f"What would tell most: {judged.next_question.text} Run this at a terminal to answer.")
    if out is not None:
        typer.echo(f"Page: {out}")


def _as_json(found: Checkup, judged: Conclusion, out: Path | None) -> dict[str, Any]:
    from airquill.tuning.causes import BY_NAME

    said = judged.diagnosis
    cause = BY_NAME[said.named] if said.named else None
    return {
        "named": said.named or None,
        "strange": said.strange,
        "likelihoods": {name: round(share, 4) for name, share in said.likelihoods.items()},
        "do": cause.do if cause else None,
        "caution": cause.caution or None if cause else None,
        "compared_with": said.source,
        "figures": found.figures,
        "healthy": {name: round(value, 4) for name, value in said.healthy.items()},
        "deviations": {name: round(value, 2) for name, value in said.against_healthy.items()},
        "answers": {one.question.name: one.said for one in judged.answered},
        "next_question": judged.next_question.name if judged.next_question else None,
        "stopped_by": found.stopped_by or None,
        "notes": found.notes,
        "page": str(out) if out else None,
    }
