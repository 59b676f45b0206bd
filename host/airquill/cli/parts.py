"""`airquill parts`: from a board file to the work at the bench."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from airquill.cli.common import Json, console, table, warn, write_json

if TYPE_CHECKING:
    from airquill.planning.board import Board
    from airquill.planning.choice import Bench
    from airquill.planning.plan import Plan

app = typer.Typer()


@app.command(
    epilog="Examples: airquill parts heather.kicad_pcb --boards 20 --page heather.html, or "
    "airquill parts positions.csv --bom bom.csv --column value=Comment. "
    "Exit codes: 1 when a package is unknown, stock is short, or there is nothing to place."
)
def parts(
    board: Annotated[
        Path, typer.Argument(metavar="BOARD", help="A .kicad_pcb file, or a position list or bill of materials as CSV.")
    ],
    bom: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Bill of materials as CSV, to go with BOARD.")
    ] = None,
    column: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=TITLE",
            help="Which column of the CSV holds reference, value, footprint, x, y, turn, side, place or count.",
        ),
    ] = None,
    unit: Annotated[str | None, typer.Option(metavar="UNIT", help="Unit of positions in a CSV: mm, mil or in.")] = None,
    packages: Annotated[
        list[Path] | None, typer.Option(metavar="FILE", help="Your own packages; see docs/planning.md.")
    ] = None,
    side: Annotated[str | None, typer.Option(metavar="SIDE", help="Plan one side only: top or bottom.")] = None,
    boards: Annotated[int, typer.Option(metavar="N", help="How many boards the kit is for.")] = 1,
    needles: Annotated[str, typer.Option(metavar="GAUGES", help="Needles at hand.")] = "18,20,22,25,27,30",
    load: Annotated[str, typer.Option(metavar="CASE", help="Load case: lift, carry or vertical.")] = "carry",
    safety: Annotated[
        float | None, typer.Option(metavar="FACTOR", help="Safety factor; otherwise 1.5 smooth, 2 rough, 4 vertical.")
    ] = None,
    altitude: Annotated[float, typer.Option(metavar="METRES", help="Altitude of the bench.")] = 0.0,
    twin: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The unit to work with, as `airquill tune` wrote it.")
    ] = None,
    spare: Annotated[
        float | None, typer.Option(metavar="PCT", help="Spare parts in percent; otherwise by size.")
    ] = None,
    stock: Annotated[
        Path | None, typer.Option(metavar="FILE", help="What is in stock, as CSV: value, footprint, count.")
    ] = None,
    show_kit: Annotated[bool, typer.Option("--kit", help="Show the kit list instead of the steps.")] = False,
    as_csv: Annotated[str | None, typer.Option("--csv", metavar="WHAT", help="Write CSV: parts or kit.")] = None,
    page: Annotated[Path | None, typer.Option(metavar="FILE", help="Write a page to print.")] = None,
    presets: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the presets as a profile.")] = None,
    job: Annotated[str | None, typer.Option(metavar="TEXT", help="Name of the job, for labels and page.")] = None,
    as_json: Json = False,
) -> None:
    """Needle, vacuum, preset, order and kit for the parts of a board."""
    from airquill.errors import AirquillError
    from airquill.planning.choice import Bench
    from airquill.planning.lists import read_stock
    from airquill.planning.output import as_json as facts
    from airquill.planning.output import kit_csv, parts_csv
    from airquill.planning.output import page as draw
    from airquill.planning.packages import load_knowledge
    from airquill.planning.plan import make_plan
    from airquill.planning.presets import write_presets
    from airquill.report.files import write_whole

    if as_csv not in (None, "parts", "kit"):
        raise AirquillError(f"--csv takes parts or kit, not {as_csv}.")
    if side not in (None, "top", "bottom"):
        raise AirquillError(f"--side takes top or bottom, not {side}.")
    columns = _columns(column or [])
    bench = _bench(Bench(gauges=_gauges(needles), load=load, safety=safety, altitude_m=altitude), twin)
    knowledge = load_knowledge(packages or [])
    read = _read(board, bom, columns, unit)
    pieces, said = read_stock(stock) if stock else (None, "")
    share = None if spare is None else spare / 100.0
    plan = make_plan(read, knowledge, bench, boards, share, pieces, (side,) if side else ("top", "bottom"))
    if page:
        write_whole(page, draw(plan, job or read.name))
    if presets:
        write_presets(plan, presets, job)
    if as_json:
        write_json(facts(plan))
    elif as_csv:
        typer.echo(kit_csv(plan) if as_csv == "kit" else parts_csv(plan), nl=False)
    elif show_kit:
        _show_kit(plan)
    else:
        _show_steps(plan)
    for note in [*plan.notes, *([said] if said else [])]:
        typer.echo(note, err=True)
    _warn(plan)
    if not plan.complete:
        raise typer.Exit(1)


def _bench(bench: Bench, twin: Path | None) -> Bench:
    """The same with the air and the needles of a measured unit."""
    from airquill.twin.file import load_twin

    if twin is None:
        return bench
    found = load_twin(twin)
    return replace(bench, air=found.air(), needle=found.needle)


def _columns(texts: list[str]) -> dict[str, str]:
    from airquill.errors import AirquillError

    found = {}
    for text in texts:
        name, sign, title = text.partition("=")
        if not sign:
            raise AirquillError(f"--column {text} names no column. Write NAME=TITLE, such as value=Comment.")
        found[name.strip()] = title.strip()
    return found


def _gauges(text: str) -> tuple[int, ...]:
    from airquill.errors import AirquillError

    try:
        return tuple(int(part.strip().rstrip("Gg")) for part in text.split(","))
    except ValueError:
        raise AirquillError(f"--needles takes gauges with commas between, such as 20,22,25; not {text}.") from None


def _read(path: Path, bom: Path | None, columns: dict[str, str], unit: str | None) -> Board:
    from airquill.planning.kicad import read_board
    from airquill.planning.lists import join, read_list

    drawn = path.suffix == ".kicad_pcb"
    # columns are of the list with the board's parts; with a board file they are of the bill of materials
    board = read_board(path) if drawn else read_list(path, columns, unit)
    return join(board, read_list(bom, columns if drawn else None)) if bom else board


def _show_steps(plan: Plan) -> None:
    titles = (
        "Step",
        "Side",
        "Tool",
        "Preset",
        "Value",
        "Package",
        "Pieces",
        "Needs",
        "Margin",
        "Needles",
        "Holder",
        "",
    )
    rows = [
        (
            str(step.number),
            step.side,
            step.tool,
            str(step.preset.number) if step.preset else "",
            step.value,
            step.package.name,
            str(len(step.sites)),
            f"{step.needed_kpa:.1f} kPa" if step.needed_kpa is not None else "",
            f"{step.margin:.1f}" if step.margin is not None else "",
            step.needle_range,
            step.place,
            "polarised" if step.package.polarised else "",
        )
        for step in plan.steps
    ]
    table(titles, rows)
    placed = sum(len(step.sites) for step in plan.steps)
    console().print(
        f"{placed} parts in {len(rows)} steps, {plan.changes} changes of the tip; {len(plan.unknown)} of an unknown "
        f"package, {len(plan.left_out)} not to be placed, {len(plan.through)} through-hole."
    )


def _show_kit(plan: Plan) -> None:
    titles = ("Holder", "Value", "Package", "Pieces", "Spare", "Strip", "Stock", "Short")
    rows = [
        (
            line.place,
            line.value,
            line.package.name,
            str(line.pieces),
            str(line.spare),
            f"{line.strip_mm:.0f} mm",
            "" if line.stock is None else str(line.stock),
            str(line.short or ""),
        )
        for line in plan.kit
    ]
    table(titles, rows)


def _warn(plan: Plan) -> None:
    from airquill.planning.output import unknown_footprints

    unknown = [f"{name} ({pieces}{', ' + drawn if drawn else ''})" for name, pieces, drawn in unknown_footprints(plan)]
    if unknown:
        warn(f"No package is known for {', '.join(unknown)}. Describe them in a file and name it by --packages.")
    short = [f"{line.value} {line.package.name} ({line.short})" for line in plan.kit if line.short]
    if short:
        warn(f"Stock is short of {', '.join(short)}.")
