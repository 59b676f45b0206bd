"""A letter against the unit as it was accepted: what differs, what the log says, what the test says.

Nothing is believed because the letter says so: its figures are computed anew from its traces.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from airquill.letter.collect import tell_stroke, word_of
from airquill.letter.model import Letter, StrokePart
from airquill.link.catalogue import REGISTRY_HASH, SETTINGS
from airquill.link.convert import Value, to_wire
from airquill.link.entries import Setting
from airquill.link.history import log_lines
from airquill.profile.written import written
from airquill.report.plain import printable
from airquill.report.trace import Trace
from airquill.tuning.baseline import SETTING as BASELINE
from airquill.tuning.baseline import Baseline
from airquill.tuning.checkup import sea_level_factor
from airquill.tuning.sequence import AIR_FIGURES, SEALED, figures_of
from airquill_device.life import LOG_BOOT

_ENTRIES = {entry.path: entry for entry in SETTINGS}
_SAME = 1e-3  # of a figure: what rounding in a file leaves
_MANY_BAD_LINES = 20
_BENCH_OTHER = "pull_down_s"  # a bench may begin it with a standing pump, a checkup does not


@dataclass(frozen=True)
class Accepted:
    """The unit as it was accepted. `source` says in words where that is from; what is not known is empty.

    `figures` are by name, kPa as at sea level. `others` are the figures of other good units, for how much these spread.
    """

    source: str
    serial: str = ""
    chip: str = ""
    firmware: str = ""
    build: str = ""
    needle_gauge: int | None = None
    figures: Mapping[str, float] = field(default_factory=dict)
    limits: Mapping[str, tuple[float | None, float | None]] = field(default_factory=dict)
    baseline: str = ""
    sealed: Trace | None = None
    others: Sequence[Mapping[str, float | None]] = ()

    @classmethod
    def of_letter(cls, letter: Letter) -> Accepted | None:
        """By the figures that the unit itself keeps, where the letter has them."""
        line = letter.settings.get(BASELINE, "")
        kept = Baseline.of_text(line)
        if kept is None:
            return None
        source = f"the figures that the unit itself keeps, of {kept.day}"
        return cls(source, needle_gauge=kept.needle_gauge, figures=kept.figures, baseline=line)


@dataclass(frozen=True)
class FigureRow:
    """A figure now and when accepted; `low` and `high` are its limits, `least` and `most` those of other good units."""

    name: str
    now: float | None
    accepted: float | None
    low: float | None = None
    high: float | None = None
    least: float | None = None
    most: float | None = None

    @property
    def is_outside(self) -> bool:
        """Beyond a limit of acceptance."""
        if self.now is None:
            return False
        return (self.low is not None and self.now < self.low) or (self.high is not None and self.now > self.high)


@dataclass(frozen=True)
class Logged:
    """What the log says of one fault or notice: how often, and whether since the last start."""

    word: str
    sentence: str
    times: int
    lately: bool


@dataclass(frozen=True)
class Comparison:
    """All that differs. `doubts` are sentences for the maker alone: what does not fit together in the letter."""

    doubts: list[str]
    versions: list[str]
    settings: list[tuple[str, str, str]]
    """Path, in the letter, as shipped or from the factory."""
    settings_against: str
    unknown_settings: list[str]
    figures: list[FigureRow]
    log: list[Logged]
    counters: list[str]
    sealed: Trace | None


def compared(letter: Letter, accepted: Accepted | None, shipped: Mapping[str, Value] | None) -> Comparison:
    """Compare a letter. `shipped` are the values of the profile that the unit was shipped with; without one, settings
    are compared with those of the factory."""
    figures, sealed = _measured(letter)
    changed, unknown = _settings(letter, shipped)
    return Comparison(
        doubts=_doubts(letter, accepted),
        versions=_versions(letter, accepted),
        settings=changed,
        settings_against="factory settings" if shipped is None else "the profile as shipped",
        unknown_settings=unknown,
        figures=_figures(figures, accepted),
        log=_log(letter),
        counters=_counters(letter),
        sealed=sealed,
    )


def figures_measured(letter: Letter) -> dict[str, float | None]:
    """The test's figures: those of the air from its traces, the others as the letter has them."""
    return _measured(letter)[0]


def _measured(letter: Letter) -> tuple[dict[str, float | None], Trace | None]:
    checkup = letter.checkup
    if checkup is None:
        return {}, None
    traces = {name: checkup.trace(name) for name in checkup.traces}
    found = dict(checkup.figures)
    if traces:
        found |= figures_of(traces, sea_level_factor(checkup.altitude_m))
    return found, traces.get(SEALED.name)


def _doubts(letter: Letter, accepted: Accepted | None) -> list[str]:
    found = []
    unit, checkup = letter.unit, letter.checkup
    if accepted is None:
        found.append("There is nothing to compare with: no record of this unit, and it keeps no figures of acceptance.")
    elif accepted.chip:
        if accepted.serial and word_of(accepted.serial) != unit.serial:
            found.append(f"The letter says serial {unit.serial or '(none)'}; this chip was {accepted.serial}.")
        if accepted.chip != unit.chip:
            found.append(
                f"The letter's chip is {unit.chip}; serial {accepted.serial} was accepted with chip {accepted.chip}: "
                "another board, or another unit's serial."
            )
        line = letter.settings.get(BASELINE, "")
        if line and accepted.baseline and line != accepted.baseline:
            found.append("The figures of acceptance that the unit keeps are not those of its record.")
    if checkup is not None:
        if checkup.chip != unit.chip:
            found.append(f"The test was made with chip {checkup.chip}, the letter with {unit.chip}.")
        anew = _measured(letter)[0]
        if any(_differs(anew.get(name), checkup.figures.get(name)) for name in AIR_FIGURES):
            found.append(
                "The test's figures do not follow from its curves; what is shown was computed from the curves."
            )
        if accepted is not None and accepted.needle_gauge not in (None, checkup.needle_gauge):
            found.append(
                f"The test was made with a {checkup.needle_gauge}G needle, acceptance with {accepted.needle_gauge}G: "
                "figures with the tip open cannot be compared."
            )
    return found


def _differs(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is not other
    return abs(one - other) > _SAME * max(1.0, abs(one))


def _versions(letter: Letter, accepted: Accepted | None) -> list[str]:
    found = []
    unit = letter.unit
    if (
        accepted is not None
        and accepted.firmware
        and (accepted.firmware, accepted.build) != (unit.firmware, unit.build)
    ):
        found.append(f"Firmware {unit.firmware} ({unit.build}); accepted with {accepted.firmware} ({accepted.build}).")
    if unit.registry_hash != REGISTRY_HASH:
        found.append("Its firmware has other settings than this Airquill knows: some may be missing below.")
    return found


def _settings(letter: Letter, shipped: Mapping[str, Value] | None) -> tuple[list[tuple[str, str, str]], list[str]]:
    wanted = (
        {entry.path: entry.default for entry in SETTINGS if entry.keep == "profile"} if shipped is None else shipped
    )
    changed = []
    for path, value in wanted.items():
        entry = _ENTRIES.get(path)
        if entry is None or entry.type == "text":
            continue
        here = _here(letter, entry)
        there = _there(entry, value)
        if here is not None and here != there:
            changed.append((path, here, there))
    told = {*letter.settings, *letter.strokes}
    return changed, sorted(path for path in told if path not in _ENTRIES)


def _here(letter: Letter, entry: Setting) -> str | None:
    """A setting of the letter as people read it; None where it has none, or its value cannot be read."""
    if entry.path in letter.strokes:
        return _stroke_text(letter.strokes[entry.path])
    text = letter.settings.get(entry.path)
    return None if text is None else _there(entry, text, as_wire=True)


def _there(entry: Setting, value: Value, as_wire: bool = False) -> str:
    if entry.type == "stroke":
        program = _program(str(value)) if isinstance(value, str) else value if isinstance(value, bytes) else b""
        if program is None:
            return "damaged"
        part = tell_stroke(program)
        return written(entry, program) if part is None else _stroke_text(part)
    wire = str(value) if as_wire else to_wire(entry, value)
    return printable(f"{wire} {entry.unit}".strip(), 60)


def _program(text: str) -> bytes | None:
    try:
        return b"" if text == "-" else bytes.fromhex(text)
    except ValueError:
        return None


def _stroke_text(part: StrokePart) -> str:
    if not part.chords:
        return "damaged"
    held = ", with Control, Alt or GUI" if part.system else ""
    return f"{part.keys} keys in {part.chords} chords{held}"


def _figures(now: Mapping[str, float | None], accepted: Accepted | None) -> list[FigureRow]:
    rows = []
    then = accepted.figures if accepted is not None else {}
    for name in sorted({*now, *then} & _SHOWN.keys(), key=list(_SHOWN).index):
        low, high = accepted.limits.get(name, (None, None)) if accepted is not None else (None, None)
        others = [one[name] for one in (accepted.others if accepted is not None else ()) if one.get(name) is not None]
        spread = sorted(value for value in others if value is not None)
        least, most = (spread[0], spread[-1]) if len(spread) > 2 else (None, None)
        then_here = None if name == _BENCH_OTHER else then.get(name)
        rows.append(FigureRow(name, now.get(name), then_here, low, high, least, most))
    return rows


_SHOWN = {
    "supply_v": ("Supply, at rest", "V", 2),
    "supply_on_v": ("Supply, pump on", "V", 2),
    "rest_kpa": ("At rest", "kPa", 2),
    "noise_kpa": ("Sensor's noise", "kPa", 2),
    "sealed_kpa": ("Tip closed", "kPa", 1),
    "open_kpa": ("Tip open", "kPa", 1),
    "pull_down_s": ("To 40 kPa, tip closed", "s", 3),
    "decay_kpa_s": ("Decay, pump stopped", "kPa/s", 2),
    "vent_ms": ("Vent, 50 to 5 kPa", "ms", 0),
    "let_go_ms": ("Let-go, release to 5 kPa", "ms", 0),
    "vented_kpa": ("Left after a release", "kPa", 2),
    "pedal1_bounce_ms": ("Pedal 1, bounce", "ms", 1),
    "pedal2_bounce_ms": ("Pedal 2, bounce", "ms", 1),
    "pedal1_missed": ("Pedal 1, presses not counted", "", 0),
    "pedal2_missed": ("Pedal 2, presses not counted", "", 0),
}
"""Figures that are shown: title, unit, digits."""


def shown(name: str, value: float | None) -> str:
    """A figure as people read it."""
    _, unit, digits = _SHOWN[name]
    return "-" if value is None else f"{value:.{digits}f} {unit}".strip()


def title_of(name: str) -> str:
    """A figure's name for people."""
    return _SHOWN[name][0]


def _log(letter: Letter) -> list[Logged]:
    lines = log_lines([entry.model_dump() for entry in letter.log], letter.unit.addons)
    last_start = max((place for place, line in enumerate(lines) if line.what == LOG_BOOT), default=-1)
    found: dict[str, Logged] = {}
    for place, line in enumerate(lines):
        if line.what != LOG_BOOT:
            before = found.get(line.word)
            times = 1 + (before.times if before is not None else 0)
            found[line.word] = Logged(line.word, line.sentence, times, place > last_start)
    return list(found.values())


_HOURS = (
    ("life.filter_h", "service.filter_h", "The filter has run {now} h of {due} h: change it."),
    ("life.pump_h", "service.pump_h", "The pump has run {now} h of {due} h: it is due."),
)


def _counters(letter: Letter) -> list[str]:
    """Sentences on counters that say something is due or odd."""
    found = []
    for reading, setting, sentence in _HOURS:
        now, due = _number(letter.readings.get(reading)), _number(letter.settings.get(setting))
        if now is not None and due and now >= due:
            found.append(sentence.format(now=f"{now:.0f}", due=f"{due:.0f}"))
    bad = _number(letter.readings.get("link.bad_lines"))
    if bad is not None and bad > _MANY_BAD_LINES:
        found.append(f"{bad:.0f} lines to the unit came damaged: try another USB cable, away from the pump's wires.")
    return found


def _number(text: str | None) -> float | None:
    try:
        value = float(text or "")
    except ValueError:
        return None
    return value if abs(value) < 1e9 else None
