"""`airquill tune`: measure a unit, fit its air, recommend settings."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from airquill.cli.common import Json, Port, console, counted, open_unit, table, tell, write_json

if TYPE_CHECKING:
    from airquill.link.client import Client
    from airquill.link.convert import Value
    from airquill.tuning.fit import Fit
    from airquill.tuning.hands import Hands
    from airquill.tuning.readers import Reader
    from airquill.tuning.recommend import Recommendation
    from airquill.twin.file import Twin
    from airquill.twin.measurement import Measurement
    from airquill_hil.rig import Rig

app = typer.Typer()

READERS = ("sensor", "rig", "gauge")


@app.command(
    epilog="Examples: airquill tune --needles 20,22 --twin heather-07.json --page heather-07.html, then "
    "airquill parts heather.kicad_pcb --twin heather-07.json. airquill tune --apply. airquill tune --read gauge. "
    "Exit codes: 1 when the tip was not sealed, the pump does not start, or the measurement does not fit the model."
)
def tune(
    needles: Annotated[
        str, typer.Option(metavar="GAUGES", help="Needles to measure, with commas between; each is asked for.")
    ] = "22",
    read: Annotated[
        str,
        typer.Option(metavar="HOW", help="Where vacuum is read: sensor, rig or gauge; without it the first there is."),
    ] = "",
    rig: Annotated[
        str | None, typer.Option(metavar="URL", help="Port of the rig; a virtual unit brings one of its own.")
    ] = None,
    altitude: Annotated[float, typer.Option(metavar="M", help="Altitude of the bench in m.")] = 0.0,
    twin: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the measured unit, for sim run, parts and sim://?twin=.")
    ] = None,
    page: Annotated[Path | None, typer.Option(metavar="FILE", help="Write a page with plots.")] = None,
    write: Annotated[
        Path | None, typer.Option(metavar="PROFILE", help="Write what is recommended into a profile, new or there.")
    ] = None,
    apply: Annotated[bool, typer.Option("--apply", help="Give the unit what is recommended, and save it.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before applying.")] = False,
    port: Port = None,
    as_json: Json = False,
) -> None:
    """Measure pump, valve, hose, leak and needles, and recommend strengths, targets, times and thresholds.

    Takes two minutes and asks for a hand: put this needle on, hold the tip free, close it. Stopped at any time the unit
    has its own settings again; nothing is saved without --apply.
    """
    from airquill.tuning.fit import fit
    from airquill.tuning.recommend import recommend
    from airquill.tuning.twin import make_twin

    gauges = _gauges(needles)
    _check(read, write)
    with contextlib.ExitStack() as stack:
        unit = stack.enter_context(open_unit(port))
        running = unit.all_settings()
        bar = stack.enter_context(_bar())
        measured = _measure(unit, gauges, read, rig, altitude, bar, stack)
        bar.step("Fitting", 1.0)
        found = fit(measured)
        bar.end()
        made = make_twin(measured, found, _said(unit, running))
        if not found.fits:
            _write_page(page, made, None)
            _say_no_fit(found, made, as_json)
            raise typer.Exit(1)
        advice = recommend(made, running, altitude, "sensor" in unit.greeting.capabilities)
        _write(made, advice, twin, page, write)
        if not as_json:
            _show(made, advice)
        applied = _apply(unit, advice, yes) if apply else 0
    if as_json:
        write_json(_facts(made, advice) | {"applied": applied})
        return
    for path in (twin, page, write):
        if path:
            typer.echo(f"Written: {path}")
    if apply:
        typer.echo(f"Applied and saved: {counted(applied, 'change')}." if applied else "Nothing to change.")


# ---- before


def _gauges(text: str) -> list[int]:
    from airquill.errors import AirquillError
    from airquill.pneumatics.needles import SIZES_MM

    try:
        gauges = [int(part.strip().rstrip("Gg")) for part in text.split(",")]
    except ValueError:
        raise AirquillError(f"--needles takes gauges with commas between, such as 20,22; not {text}.") from None
    wrong = [gauge for gauge in gauges if gauge not in SIZES_MM]
    if wrong:
        raise AirquillError(f"No needle of {wrong[0]} gauge is known; there are 14 to 34.")
    return gauges


def _check(read: str, write: Path | None) -> None:
    """What can be wrong is said before the unit is touched."""
    from airquill.errors import AirquillError
    from airquill.profile.document import load

    if read and read not in READERS:
        raise AirquillError(f"--read takes sensor, rig or gauge, not {read}.")
    if write is not None and write.exists():
        load(write)


def _said(unit: Client, running: dict[str, Value]) -> dict[str, str]:
    def printable(path: str) -> str:
        return "".join(letter for letter in str(running[path]) if letter.isprintable())

    greeting = unit.greeting
    return {
        "name": printable("unit.name"),
        "serial": printable("unit.serial"),
        "chip": greeting.chip,
        "firmware": greeting.firmware,
    }


# ---- the measurement


def _measure(
    unit: Client,
    gauges: list[int],
    read: str,
    url: str | None,
    altitude: float,
    bar: _Bar,
    stack: contextlib.ExitStack,
) -> Measurement:
    from airquill.tuning.sweep import Sweep
    from airquill.tuning.tool import Tool

    around = _Around.of(unit, url, bar, stack)
    tool = Tool(unit, around.hands)
    sweep = Sweep(tool, _reader(unit, read, around.rig, bar), gauges, altitude, bar.step, bar.tell)
    try:
        return sweep.run()
    except KeyboardInterrupt:
        bar.tell(tool.left_unsafe or "Stopped. The unit is as it was.")
        raise


@dataclass
class _Around:
    """What is around the unit: hands, and a rig where there is one."""

    hands: Hands
    rig: Rig | None

    @classmethod
    def of(cls, unit: Client, url: str | None, bar: _Bar, stack: contextlib.ExitStack) -> _Around:
        """AirquillError where nobody can seal the tip."""
        from airquill.errors import AirquillError
        from airquill.link.ready import ask_ready
        from airquill.tuning.hands import ControlHands, PersonHands, control_of
        from airquill_hil.rig import SerialRig, VirtualRig
        from airquill_hil.rig_hands import RigHands

        rig = None
        if url is not None:
            rig = SerialRig.open(url)
            stack.callback(rig.close)
        control = control_of(unit)
        if control is not None:
            stack.callback(control.close)
            return cls(ControlHands(control), rig or VirtualRig(control))
        if not sys.stdin.isatty():
            raise AirquillError("Tuning asks a person to open and close the tip. Run it at a terminal.")
        person = PersonHands(lambda sentence: ask_ready(unit, sentence, bar.tell), bar.tell)
        return cls(RigHands(rig, person) if rig else person, rig)


def _reader(unit: Client, read: str, rig: Rig | None, bar: _Bar) -> Reader:
    from airquill.errors import AirquillError
    from airquill.tuning.gauge_reading import GaugeReader
    from airquill.tuning.readers import ReferenceReader, SensorReader

    senses = "sensor" in unit.greeting.capabilities
    measures = rig is not None and "reference" in rig.abilities
    read = read or ("sensor" if senses else "rig" if measures else "gauge")
    if read == "sensor":
        if not senses:
            raise AirquillError("This unit has no vacuum sensor. Name a rig with --rig, or read a gauge: --read gauge.")
        return SensorReader(unit)
    if read == "rig":
        if rig is None or not measures:
            raise AirquillError("There is no rig with a vacuum sensor. Name its port with --rig, or use --read gauge.")
        return ReferenceReader(unit, rig)
    return GaugeReader(bar.ask, bar.tell)


class _Bar:
    """Progress on standard error at a terminal, with questions and sentences between."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description:<28}"), BarColumn(), TimeElapsedColumn())
        self._progress = Progress(*columns, console=Console(stderr=True), disable=not sys.stderr.isatty())
        self._task = self._progress.add_task("", total=1.0)

    def step(self, what: str, share: float) -> None:
        """What comes next, and how much is done."""
        self._progress.start()
        self._progress.update(self._task, description=what, completed=share)

    def tell(self, sentence: str) -> None:
        """A sentence, the bar out of its way."""
        self._progress.stop()
        tell(sentence)

    def ask(self, question: str) -> str | None:
        """A line typed, or None where the input has ended."""
        self.tell(question)
        line = sys.stdin.readline()
        return line if line else None

    def end(self) -> None:
        """The bar is done with."""
        self._progress.stop()


@contextlib.contextmanager
def _bar() -> Iterator[_Bar]:
    bar = _Bar()
    try:
        yield bar
    finally:
        bar.end()


# ---- after


def _write(made: Twin, advice: Recommendation, twin: Path | None, page: Path | None, write: Path | None) -> None:
    from airquill.link.catalogue import SETTINGS
    from airquill.profile.rewrite import export
    from airquill.tuning.twin import save_twin

    if twin:
        save_twin(made, twin)
    _write_page(page, made, advice)
    if write:
        values = {one.path: one.wanted for one in advice.advice}
        export(write, tuple(entry for entry in SETTINGS if entry.path in values), values, None, None)


def _write_page(page: Path | None, made: Twin, advice: Recommendation | None) -> None:
    if page:
        from airquill.report.files import write_whole
        from airquill.report.tune import tune_page

        write_whole(page, tune_page(made, advice))


def _apply(unit: Client, advice: Recommendation, yes: bool) -> int:
    """Ask, then give the unit what is recommended; returns how many settings changed."""
    from airquill.cli.consent import consent
    from airquill.profile.exchange import Difference
    from airquill.profile.exchange import apply as make

    running = unit.all_settings()
    wanted = advice.changes()
    changes = [
        Difference(entry, running[entry.path], wanted[entry.path]) for entry in unit.settings() if entry.path in wanted
    ]
    if changes:
        consent(changes, yes, yes_keys=False)
        make(unit, changes)
    return len(changes)


def _say_no_fit(found: Fit, made: Twin, as_json: bool) -> None:
    misses = [miss for miss in found.misses if not miss.fits]
    worst = max(misses, key=lambda miss: miss.rms_kpa / miss.most_kpa)
    sentence = (
        f"The measurement does not fit the model, so nothing is recommended: {worst.what} is off by "
        f"{worst.rms_kpa:.1f} kPa where {worst.most_kpa:.1f} would do. Look whether the tip stays sealed, the filter "
        "is dry and the pump runs evenly; then measure again."
    )
    if as_json:
        write_json({"fits": False, "sentence": sentence, "misses": [one.model_dump() for one in made.misses]})
    tell(sentence)


def _facts(made: Twin, advice: Recommendation) -> dict[str, Any]:
    from airquill.report.tune import parameter_rows

    return {
        "fits": True,
        "source": made.source,
        "noise_kpa": made.noise_kpa,
        "chi2_share": made.chi2_share,
        "parameters": {name: number.model_dump() for name, number in {**made.parameters}.items()},
        "needles": {gauge: number.model_dump() for gauge, number in made.needles.items()},
        "pump": {
            name: getattr(made, name) for name in ("runs_pct", "stalls_pct", "starts_pct", "stays_pct", "kick_ms")
        },
        "misses": [one.model_dump() for one in made.misses],
        "told": [row.name for row in parameter_rows(made) if row.told],
        "advice": [
            {"path": one.path, "now": one.now, "recommended": one.wanted, "reason": one.reason, "changes": one.changes}
            for one in advice.advice
        ],
        "presets": [
            {
                "preset": use.preset,
                "name": use.name,
                "needed_kpa": round(use.needed_kpa, 2),
                "heaviest": use.heaviest,
                "before": _prospect(use.before),
                "after": _prospect(use.after),
            }
            for use in advice.uses
        ],
        "let_go_ms": advice.let_go_ms,
        "notes": list(advice.notes),
    }


def _prospect(one: Any) -> dict[str, Any]:
    return {
        "strength_pct": one.strength_pct,
        "open_kpa": round(one.open_kpa, 2),
        "part_kpa": round(one.part_kpa, 2),
        "sealed_kpa": round(one.sealed_kpa, 2),
        "pick_ms": None if one.pick_s is None else round(1000 * one.pick_s),
    }


def _show(made: Twin, advice: Recommendation) -> None:
    from airquill.report.tune import before_rows, parameter_rows, setting_rows

    rows = [(row.meaning, row.value, row.interval, row.why) for row in parameter_rows(made)]
    table(("Fitted", "Value", "95 % sure", "Not told, because"), rows)
    console().print()
    table(("Setting", "Now", "Recommended", "Why"), setting_rows(advice))
    console().print()
    table(("Preset", "", "Strength", "Open", "Worst part", "Sealed", "Gap", "First pick"), before_rows(advice))
    for note in advice.notes:
        console().print(note, markup=False, soft_wrap=True)
