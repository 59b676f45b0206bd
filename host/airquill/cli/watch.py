"""`airquill watch`: a unit at work, live, recorded, and plotted afterwards."""

from __future__ import annotations

import contextlib
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from airquill.cli.common import Json, Port, console, counted, open_unit, progress, say, table, warn, write_json
from airquill.cli.complete import complete_shown

if TYPE_CHECKING:
    from airquill.link.client import Client
    from airquill.live.picks import Pick
    from airquill.live.recording import Header
    from airquill.live.trend import Notice

app = typer.Typer()

DEFAULT = ("vacuum.kpa", "pump.duty_pct", "cycle.state", "cycle.grip", "pedal1.down", "pedal2.down")


@app.command(
    epilog="Examples: airquill watch; airquill watch --record monday.jsonl --altitude 520; "
    "airquill watch --plot monday.jsonl; airquill watch vacuum.kpa supply.volts --json --for 10"
)
def watch(
    readings: Annotated[
        list[str] | None,
        typer.Argument(metavar="[READING]...", autocompletion=complete_shown, help="Only these, without picks."),
    ] = None,
    seconds: Annotated[
        float | None, typer.Option("--for", metavar="SECONDS", min=0.1, help="Stop after this time, else on Ctrl-C.")
    ] = None,
    every_ms: Annotated[int, typer.Option(min=10, max=60000, help="Time between two readings.")] = 100,
    record: Annotated[Path | None, typer.Option("--record", metavar="FILE", help="Write a recording.")] = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", metavar="FILE", help="Make a page of a recording; needs no unit.")
    ] = None,
    altitude: Annotated[
        float | None,
        typer.Option(metavar="M", min=-500, max=6000, help="Altitude in m, to compare with figures of acceptance."),
    ] = None,
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Watch a unit at work: vacuum large enough to be read from two metres, pump, valve, grip, pedals, counts.

    Level, rise and let-go of each pick are found and compared over many picks, and a change is told before it fails.
    With --json, lines for programs: those of a recording, and picks and notices.
    """
    from airquill.errors import AirquillError

    if plot is not None:
        if readings or record is not None or seconds is not None:
            raise AirquillError("--plot reads a recording that is there. Leave the other options off.")
        _plot(plot, as_json)
        return
    if readings and record is not None:
        raise AirquillError("A recording has readings of its own. Leave the names off.")
    limit = float("inf") if seconds is None else seconds
    with open_unit(port) as unit:
        if readings or not (as_json or record is not None or sys.stdout.isatty()):
            _plain(unit, every_ms, readings or DEFAULT, limit, as_json)
        else:
            _work(unit, every_ms, limit, record, altitude, as_json)


def _plain(unit: Client, every_ms: int, names: Any, seconds: float, as_json: bool) -> None:
    """Readings as they come, a line each."""
    from airquill.link.convert import plain
    from airquill.link.lookup import find_entries
    from airquill.live.watcher import plain_lines

    paths = [entry.path for entry in find_entries(names, (), unit.readings())]
    for line in plain_lines(unit, every_ms, paths, seconds):
        if as_json:
            typer.echo(json.dumps(line, default=float))
        else:
            typer.echo(" ".join(f"{path}={plain(value)}" for path, value in line.items()))


def _work(
    unit: Client, every_ms: int, seconds: float, record: Path | None, altitude: float | None, as_json: bool
) -> None:
    """A unit at work: on the screen, as JSON lines, into a file."""
    from airquill.live.recording import Writer, header_of, written
    from airquill.live.trend import Trend
    from airquill.live.watcher import Watcher
    from airquill_hil.record import host_versions, settings_hash

    settings = settings_hash(unit.settings(), unit.all_settings())
    header = header_of(unit, settings, host_versions()["airquill"], altitude)
    finder, trend = header.finder(), Trend(header)
    with contextlib.ExitStack() as stack:
        writer = stack.enter_context(Writer(record, header)) if record is not None else None
        show = _shown(unit, header, record) if sys.stdout.isatty() and not as_json else None
        if as_json:
            typer.echo(written(header.model_dump()))
        stack.callback(lambda: None if as_json else _sum_up(finder.found, trend.arisen, record))
        if show is not None:
            stack.callback(show.stop)
        for line in Watcher(unit, every_ms).lines(seconds):
            if writer is not None:
                writer.put(line)
            if as_json:
                typer.echo(written(line))
            pick = finder.take(line)
            new = trend.take(pick) if pick is not None else []
            if as_json and pick is not None:
                _tell(pick, new)
            elif show is not None:
                show.take(line, pick, trend)


def _tell(pick: Pick, notices: list[Notice]) -> None:
    """A pick as a JSON line, and the notices that come with it."""
    from airquill.live.recording import written

    typer.echo(written({"at_s": pick.at_s, "pick": pick.as_json()}))
    for notice in notices:
        typer.echo(written({"at_s": pick.at_s, "notice": notice.as_json()}))


class _Shown:
    """The picture on the terminal."""

    def __init__(self, scene: Any) -> None:
        from rich.live import Live

        from airquill.cli.watch_view import View

        self._scene = scene
        self._live = Live(View(scene), console=console(), screen=True, refresh_per_second=10)
        self._live.start()

    def take(self, line: dict[str, Any], pick: Pick | None, trend: Any) -> None:
        self._scene.take(line)
        if pick is not None:
            self._scene.last_pick = pick
            self._scene.notices = trend.notices()
        self._scene.waiting = trend.waiting

    def stop(self) -> None:
        self._live.stop()


def _shown(unit: Client, header: Header, record: Path | None) -> _Shown:
    from airquill.live.scene import Scene

    values = unit.get("unit.name", *(f"preset{preset.number}.name" for preset in header.presets))
    names = {preset.number: str(values[f"preset{preset.number}.name"]) for preset in header.presets}
    scene = Scene(str(values["unit.name"]), header.sensor, names, header.preset, header.strength_pct, str(record or ""))
    return _Shown(scene)


def _sum_up(picks: int, notices: list[Notice], record: Path | None) -> None:
    recorded = f" Recorded in {record}; airquill watch --plot {record} makes a page of it." if record else ""
    say(f"{counted(picks, 'pick')}.{recorded}")
    for notice in notices:
        warn(notice.sentence)


def _plot(path: Path, as_json: bool) -> None:
    """The page of a recording, and its picks as a table."""
    from airquill.live.recording import read_recording
    from airquill.live.trend import Trend
    from airquill.report.files import write_whole
    from airquill.report.watch import watch_page

    with progress(f"Reading {path}", path.stat().st_size if path.is_file() else 0, quiet=as_json) as step:
        recording = read_recording(path, step)
    trend = Trend(recording.header)
    for pick in recording.picks:
        trend.take(pick)
    notices = trend.arisen
    page = path.with_suffix(".html")
    write_whole(page, watch_page(recording, notices, trend.cannot_tell()))
    if as_json:
        write_json(
            {
                "header": recording.header.model_dump(),
                "seconds": recording.seconds,
                "picks": [pick.as_json() for pick in recording.picks],
                "notices": [notice.as_json() for notice in notices],
                "cannot_tell": trend.cannot_tell(),
                "remarks": recording.remarks,
                "page": str(page),
            }
        )
        return
    _pick_table(recording.picks)
    for remark in recording.remarks:
        warn(remark)
    for notice in notices:
        warn(notice.sentence)
    found = counted(len(recording.picks), "pick") if recording.picks else "No picks"
    typer.echo(f"{found} in {recording.seconds:.0f} s. Page: {page}")


def _pick_table(picks: list[Pick]) -> None:
    from airquill.report.watch import PICK_TITLES, pick_row

    if picks:
        table(PICK_TITLES, [pick_row(pick) for pick in picks])
