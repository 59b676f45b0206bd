"""Whether a checkup can be judged at all: the unit's baseline, what stopped it, and whether the tip was closed."""

from __future__ import annotations

from airquill.errors import AirquillError
from airquill.link.catalogue import FAULTS
from airquill.link.client import Client
from airquill.link.history import log_lines
from airquill.tuning.baseline import SETTING, Baseline
from airquill.tuning.checkup import Checkup
from airquill.tuning.diagnose import Reference
from airquill.tuning.features import figures_of_row
from airquill.tuning.model import STOPS

_MOST_KPA = 101.4  # nobody has more below ambient
_MOST_S = 60.0
_LAST = 3
_SAME_KPA = 0.5
_NEAR_SHARE = 0.1


def baseline_in(unit: Client) -> Baseline | None:
    """The baseline that a unit keeps; None when it has none. AirquillError when it has something else there."""
    if unit.setting(SETTING) is None:
        return None
    line = str(unit.get(SETTING)[SETTING])
    if not line:
        return None
    found = Baseline.of_text(line)
    if found is None or not all(_possible(name, value) for name, value in found.figures.items()):
        raise AirquillError(
            f"The unit's {SETTING} is damaged: '{line}'. Accept the unit again once it is healthy, or compare it with "
            f"the fleet: airquill set --keep {SETTING}="
        )
    return found


def _possible(name: str, value: float) -> bool:
    unit = name.rpartition("_")[2]
    if unit == "kpa":
        return 0.0 < value < _MOST_KPA
    if unit == "ms":
        return 0.0 < value < _MOST_S * 1000
    return -1.0 < value < _MOST_KPA if name == "decay_kpa_s" else value >= 0.0


def check_stop(unit: Client, found: Checkup) -> None:
    """AirquillError when a fault that is no sign of a worn part stopped the unit: which, and the end of its log."""
    if found.stopped_by in STOPS:
        return
    words = {entry.word: entry.help for entry in FAULTS}
    lines = log_lines(unit.log(), unit.addons())[-_LAST:]
    log = "; ".join(f"{line.word} after {line.at_s} s" for line in lines) or "empty"
    why = words.get(found.stopped_by, "This Airquill does not know that fault.")
    raise AirquillError(f"The unit is stopped by {found.stopped_by}, the end of its log is: {log}. {why}")


def check_sealed(found: Checkup, expected: Reference) -> None:
    """AirquillError when the tip was free though it was to be closed: then both levels are those of a free one."""
    closed, free = found.figures.get("sealed_kpa"), found.figures.get("open_kpa")
    if closed is None or free is None:
        return
    healthy = figures_of_row(expected.mean)["open_kpa"]
    if abs(closed - free) < _SAME_KPA and abs(free - healthy) < _NEAR_SHARE * healthy:
        raise AirquillError(
            f"The tip was not closed when it was to be: {closed:.1f} kPa, and {free:.1f} kPa when free. Press it flat "
            "on a piece of soft rubber until it is to be free again, and repeat."
        )
