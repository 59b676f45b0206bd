"""Runs checks one after another, judges their figures and comes to a verdict. Outputs are safe afterwards."""

from __future__ import annotations

import getpass
import platform
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from airquill.errors import AirquillError
from airquill_hil.bench import Bench
from airquill_hil.check import Check, Measured
from airquill_hil.checks import CHECKS
from airquill_hil.limits import Limit, Outcome, Value
from airquill_hil.record import (
    CheckRecord,
    FigureRecord,
    Record,
    Verdict,
    host_versions,
    new_id,
    now,
    settings_hash,
    unit_record,
)
from airquill_hil.remember import remember

STOPPED = "The run was stopped."
EXIT_CODES: dict[Verdict, int] = {"accepted": 0, "partial": 1, "rejected": 1, "error": 3}
NOT_KEPT = 3
"""As a bench that failed: the verdict stands, the record does not."""
_WORST_FIRST = (Outcome.ERROR, Outcome.FAIL, Outcome.SKIPPED, Outcome.MARGINAL, Outcome.PASS)
_NOTHING_TO_CHECK = {"disk": "This unit's firmware stands in no files, so none can come over the line."}
_NEEDS = {
    "label": "needs the serial on the unit's label (--serial)",
    "hands": "needs a hand: run it at a terminal",
    "sensor": "needs a vacuum sensor",
    "keyboard": "needs the keyboard interface",
    "supply": "needs a unit that measures its supply",
    "panel": "needs a panel",
    "gates": "needs a rig that sees the gates (gates)",
    "presses": "needs a rig that presses pedals (presses)",
    "meter": "needs a rig that measures the supply (meter)",
    "reference": "needs a rig with a vacuum sensor (reference)",
    "power": "needs a rig that switches the unit's supply (power)",
    "attendant": "needs somebody who looks and pulls plugs: run it at a terminal",
    "saved": "needs a unit whose settings are saved, since it restarts it: save them, or restart it before",
}


@dataclass(frozen=True)
class Place:
    """Where a run happens and who runs it; `rig_calibrated` is the day of the rig's last calibration, as its owner
    writes it."""

    station: str = ""
    operator: str = ""
    rig_calibrated: str = ""

    def filled(self) -> Place:
        """With the computer's and the user's names where nothing was said."""
        return Place(self.station or platform.node(), self.operator or _user(), self.rig_calibrated)


@dataclass(frozen=True)
class Made:
    """What the unit was made of, as its maker counts it; no unit knows that of itself."""

    board_revision: str = ""
    pump_lot: str = ""


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"


class Run:
    """Checks on one unit, one after another, and the record of them. Both `airquill accept` and the plugin for pytest
    go through here."""

    def __init__(
        self, bench: Bench, place: Place = Place(), made: Made = Made(), checks: Sequence[Check] = CHECKS
    ) -> None:
        """Raises AirquillError when the limits lack a figure or have one too many, or the unit cannot even be read."""
        for check in checks:
            for figure in check.figures:
                if figure.name not in bench.limits.figures:
                    raise AirquillError(
                        f"The limits have no figure {figure.name}, which the check {check.name} needs. Add it."
                    )
        known = {figure.name for check in (*CHECKS, *checks) for figure in check.figures}
        strange = [name for name in bench.limits.figures if name not in known]
        if strange:
            raise AirquillError(
                f"The limits have a figure {strange[0]}, which no check of this version measures. They are for another "
                "version: take limits.toml of this one, and put your values in."
            )
        self.bench = bench
        self.done: list[CheckRecord] = []
        self._place, self._made, self._checks = place.filled(), made, checks
        self._started = now()
        unit = bench.unit
        self._unit = unit_record(unit.greeting)
        self._settings = settings_hash(unit.settings(), unit.all_settings())
        bench.capabilities()  # what is asked of the unit once is asked now

    @property
    def broken_off(self) -> bool:
        """The bench failed or was stopped: no check is to follow."""
        return bool(self.done) and self.done[-1].outcome is Outcome.ERROR

    def check(self, check: Check) -> CheckRecord:
        """Run one check."""
        self.done.append(run_check(self.bench, check))
        return self.done[-1]

    def end(self, whole: bool = True) -> Record:
        """Make the unit safe and come to a verdict, which is partial at best where checks were left out, or those of
        this run are not the `whole` list. An accepted unit keeps its baseline."""
        bench = self.bench
        bench.safe()
        verdict, sentence = _verdict(self.done)
        if verdict == "accepted" and (not whole or len(self.done) < len(self._checks)):
            verdict, sentence = "partial", f"{sentence} The others were not run."
        if bench.left_unsafe:
            verdict = "error"
        # Whatever was lost is said once.
        unsafe = bench.left_unsafe.replace(self.done[-1].sentence, "").strip() if self.done else bench.left_unsafe
        baseline, why_none = remember(bench, self.done, now()[:10]) if verdict == "accepted" else ("", "")
        return Record(
            id=new_id(),
            verdict=verdict,
            sentence=" ".join(part for part in (sentence, unsafe, why_none) if part),
            serial=bench.label,
            unit=self._unit,
            board_revision=self._made.board_revision,
            pump_lot=self._made.pump_lot,
            settings_hash=self._settings,
            baseline=baseline,
            limits_version=bench.limits.version,
            limits_hash=bench.limits.hash,
            needle_gauge=bench.limits.needle_gauge,
            station=self._place.station,
            operator=self._place.operator,
            rig=_rig(bench, self._place),
            altitude_m=bench.altitude_m,
            ambient_kpa=round(bench.ambient_kpa, 3),
            started=self._started,
            ended=now(),
            host=host_versions(),
            checks=self.done,
        )


def run(
    bench: Bench,
    place: Place = Place(),
    made: Made = Made(),
    checks: Sequence[Check] = CHECKS,
    whole: bool = True,
    on_start: Callable[[Check], None] = lambda _check: None,
    on_done: Callable[[CheckRecord], None] = lambda _record: None,
) -> Record:
    """Run checks and return the record. The bench's first error ends the run, and so does Ctrl-C; the record says it.

    Raises what Run raises.
    """
    going = Run(bench, place, made, checks)
    try:
        for check in checks:
            on_start(check)
            on_done(going.check(check))
            if going.broken_off:
                break
    finally:
        bench.safe()
    return going.end(whole)


def _rig(bench: Bench, place: Place) -> dict[str, str]:
    says = bench.rig_says()
    return {**says, "calibrated": place.rig_calibrated} if says and place.rig_calibrated else says


def run_check(bench: Bench, check: Check) -> CheckRecord:
    """Run one check; what goes wrong in it is in its record. After an error the unit is made safe at once."""
    there = bench.capabilities()
    if check.only_with and check.only_with not in there:
        sentence = f"Skipped: {_NOTHING_TO_CHECK[check.only_with]}"
        return CheckRecord(name=check.name, title=check.title, outcome=Outcome.SKIPPED, sentence=sentence, beside=True)
    missing = [need for need in check.needs if need not in there]
    if missing:
        why = "; ".join(_NEEDS.get(need, f"needs {need}") for need in missing)
        return CheckRecord(name=check.name, title=check.title, outcome=Outcome.SKIPPED, sentence=f"Skipped: {why}.")
    try:
        measured = check.measure(bench)
    except AirquillError as error:
        bench.safe()
        return CheckRecord(name=check.name, title=check.title, outcome=Outcome.ERROR, sentence=error.sentence)
    except KeyboardInterrupt:
        bench.safe()
        return CheckRecord(name=check.name, title=check.title, outcome=Outcome.ERROR, sentence=STOPPED)
    except BaseException:
        bench.safe()
        raise
    figures = [_judged(bench, check, n, measured, there) for n in range(len(check.figures))]
    outcome = next(one for one in _WORST_FIRST if any(figure.outcome is one for figure in figures))
    return CheckRecord(
        name=check.name,
        title=check.title,
        outcome=outcome,
        figures=figures,
        traces={name: trace.as_json() for name, trace in measured.traces.items()},
    )


def _judged(bench: Bench, check: Check, n: int, measured: Measured, there: set[str]) -> FigureRecord:
    figure = check.figures[n]
    limit = bench.limits.figures[figure.name]
    if figure.needs and figure.needs not in there:
        outcome, value, note = Outcome.SKIPPED, None, f"Skipped: {_NEEDS[figure.needs]}."
    else:
        value = measured.values[figure.name]
        outcome, note = limit.judge(value), measured.notes.get(figure.name, "")
    return FigureRecord(
        name=figure.name,
        value=value,
        shown=shown(value, figure.unit),
        unit=figure.unit,
        low=limit.low,
        high=limit.high,
        must=limit.must,
        guard=limit.guard,
        flag=limit.flag,
        outcome=outcome,
        reason=figure.reason,
        note=note,
    )


def shown(value: Value, unit: str) -> str:
    """A value as people read it."""
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    digits = {"kPa": 1, "kPa/s": 1, "s": 2, "V": 2, "%": 1}.get(unit, 0)
    return f"{value:.{digits}f} {unit}".strip()


def failure_line(figure: FigureRecord) -> str:
    """Everything about a figure that did not pass, in one line."""
    limit = Limit(low=figure.low, high=figure.high, must=figure.must, guard=figure.guard, flag=figure.flag)
    wanted = ("yes" if limit.must else "no") if limit.must is not None else _range(limit, figure.unit)
    guard = f", guard {figure.guard:g} {figure.unit}".rstrip() if figure.guard else ""
    text = f"{figure.name} {figure.outcome}: {figure.shown}, wanted {wanted}{guard}. {figure.reason}"
    return f"{text} {figure.note}".rstrip()


def _range(limit: Limit, unit: str) -> str:
    low = f"at least {limit.low:g}" if limit.low is not None else ""
    high = f"at most {limit.high:g}" if limit.high is not None else ""
    return f"{' and '.join(part for part in (low, high) if part)} {unit}".rstrip()


def _verdict(done: Sequence[CheckRecord]) -> tuple[Verdict, str]:
    wrong = [record for record in done if record.outcome is Outcome.ERROR]
    if wrong:
        return "error", f"The bench failed at {wrong[0].title.lower()}, so nothing is decided. {wrong[0].sentence}"
    outcomes = {record.outcome for record in done if not record.beside}
    failed = [record.title.lower() for record in done if record.outcome is Outcome.FAIL]
    if failed:
        return "rejected", f"Failed: {', '.join(failed)}."
    if Outcome.SKIPPED in outcomes:
        skipped = [record.title.lower() for record in done if record.outcome is Outcome.SKIPPED and not record.beside]
        return "partial", f"Not decided: {', '.join(skipped)} could not be checked in full."
    marginal = [figure.name for record in done for figure in record.figures if figure.outcome is Outcome.MARGINAL]
    if marginal:
        return "accepted", f"All checks passed; marginal: {', '.join(marginal)}."
    passed = sum(not record.beside for record in done)
    return "accepted", f"All {passed} checks passed."
