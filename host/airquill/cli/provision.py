"""`airquill provision`."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from airquill.cli.common import progress, warn

if TYPE_CHECKING:
    from airquill.image.batch import Progress, Row
    from airquill.image.report import ImageReport
    from airquill.link.client import Client
    from airquill.link.convert import Value
    from airquill.profile.document import Profile

app = typer.Typer()

LOOK_S = 0.5
VERDICTS = {0: "accepted", 1: "rejected"}


@app.command(epilog="Example: airquill provision --batch twenty.csv --image heather-bench.uf2 --profile heather.toml")
def provision(
    batch: Annotated[Path, typer.Option(metavar="CSV", help="One unit a line: serial, and if wanted its name.")],
    image: Annotated[Path, typer.Option(metavar="UF2", help="Image that they get, unless they run it.")],
    profile: Annotated[Path | None, typer.Option(metavar="FILE", help="Profile that they get.")] = None,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for records and labels.")] = Path("records"),
    yes_keys: Annotated[
        bool, typer.Option("--yes-keys", help="Agree to the profile's strokes that need consent.")
    ] = False,
    wait_s: Annotated[
        float, typer.Option("--wait", metavar="S", help="Seconds to wait for each unit to be plugged in.")
    ] = 600,
) -> None:
    """Flash, set up, accept and label a batch of units: plug one in, wait, next.

    Each unit gets the image, the profile and its serial, and is accepted; the label sheet grows with each accepted
    one. What is done stays done: run it again to go on, and to repeat those that were not accepted.
    """
    from airquill.errors import AirquillError
    from airquill.image.batch import Progress, read_batch
    from airquill.image.flash import checked_image
    from airquill.profile.document import load

    rows = read_batch(batch)
    report = checked_image(image)
    wanted = load(profile) if profile else None
    if wanted is not None and not yes_keys:
        _check_strokes(wanted)
    done = Progress(out / f"{batch.stem}.batch.json")
    left = done.left(rows)
    typer.echo(f"{len(rows) - len(left)} of {len(rows)} units are done.")
    failed = []
    for row in left:
        try:
            verdict = _make(row, image, report, wanted, done, out, wait_s)
        except AirquillError as error:
            raise AirquillError(f"{row.serial}: {error.sentence}", error.exit_code) from error
        if verdict != "accepted":
            failed.append(row.serial)
        _write_labels(done, out / f"{batch.stem}-labels.html")
    typer.echo(f"Labels: {out / f'{batch.stem}-labels.html'}")
    if failed:
        warn(f"Not accepted: {', '.join(failed)}. Mend them, then run the same command again.")
        raise typer.Exit(1)


def _check_strokes(profile: Profile) -> None:
    from airquill.errors import AirquillError
    from airquill.keys import reasons

    risky = [path for path, value in profile.values.items() if isinstance(value, bytes) and value and reasons(value)]
    if risky:
        raise AirquillError(
            f"The profile holds strokes that could command the PC: {', '.join(risky)}. "
            "Look at them, then add --yes-keys."
        )


def _make(
    row: Row, image: Path, report: ImageReport, profile: Profile | None, done: Progress, out: Path, wait_s: float
) -> str:
    """One unit from plugging in to its verdict."""
    from airquill.image.batch import Done
    from airquill.image.flash import flash
    from airquill.link.client import Client

    typer.echo(f"{row.serial}: plug its unit in, and no other. A bare board: with BOOTSEL held.")
    port, build = _wait_for_unit(row, done, wait_s)
    if port is None or build != report.build:
        with progress("Copying", report.image_bytes) as advance:
            port = flash(image, report, port, done=advance).port
    with Client.open(port) as unit:
        _set_up(unit, row, profile)
        said = unit.greeting
    verdict = _accept(row, port, out)
    done.add(Done(row.serial, row.name, said.chip, said.firmware, said.build, verdict))
    typer.echo(f"{row.serial}: {verdict}. Unplug it.")
    return verdict


def _wait_for_unit(row: Row, done: Progress, wait_s: float) -> tuple[str | None, str]:
    """Port and build of a unit that has no serial of this batch yet; no port where a boot volume waits."""
    from airquill.errors import AirquillError
    from airquill.image.flash import NOTHING_APPEARS, find_volume
    from airquill.link.client import Client
    from airquill.link.discovery import candidates
    from airquill.link.problems import NO_UNIT

    end = time.monotonic() + wait_s
    told = set()
    while time.monotonic() < end:
        if find_volume([]) is not None:
            return None, ""
        for place in [one.port for one in candidates() if one.kind != "board"]:
            try:
                with Client.open(place) as unit:
                    said = unit.greeting
            except AirquillError:
                continue  # it is still starting
            before = done.serial_of(said.chip)
            if before in (None, row.serial):
                return place, said.build
            if place not in told:
                told.add(place)
                typer.echo(f"{row.serial}: the unit at {place} is {before} already. Unplug it.")
        time.sleep(LOOK_S)
    raise AirquillError(f"No new unit has appeared within {wait_s:g} s. {NOTHING_APPEARS}", NO_UNIT)


def _set_up(unit: Client, row: Row, profile: Profile | None) -> None:
    from airquill.errors import AirquillError
    from airquill.profile.exchange import differences

    before = str(unit.get("unit.serial")["unit.serial"])
    if before not in ("", row.serial):
        raise AirquillError(
            f"This unit has the serial {before} already. Plug in another one, or give it up first: "
            'airquill set --keep unit.serial=""',
            1,
        )
    values: dict[str, Value] = {"unit.serial": row.serial}
    if row.name:
        values["unit.name"] = row.name
    changes = differences(unit.settings(), unit.all_settings(), profile) if profile else []
    unit.set({change.path: change.in_file for change in changes} | values, keep=True)


def _accept(row: Row, port: str, out: Path) -> str:
    from airquill.cli.accept import accept

    try:
        accept(serial=row.serial, out=out, port=port)
    except typer.Exit as left:
        return VERDICTS.get(left.exit_code, "not judged")
    return "not judged"


def _write_labels(done: Progress, path: Path) -> None:
    from airquill.report.files import write_whole
    from airquill.report.labels import Label, label_sheet

    labels = [Label(one.serial, one.name, one.firmware, one.build) for one in done.done if one.verdict == "accepted"]
    write_whole(path, label_sheet(sorted(labels, key=lambda label: label.serial)))
