"""From a plan to a unit: its presets as a profile."""

from __future__ import annotations

from decimal import Decimal
from math import ceil
from pathlib import Path

from airquill.link.catalogue import SETTINGS
from airquill.link.convert import Value
from airquill.planning.plan import MOST_PRESETS, STEADY_RESERVE, Plan, Preset
from airquill.profile.rewrite import export

LEAST_TARGET_KPA = 10.0  # below, a unit's sensor tells little; chosen
NAME_BYTES = 16  # of preset#.name


def write_presets(plan: Plan, path: Path, title: str | None) -> int:
    """Write the plan's presets into a profile, new or there already, and return how many settings. Raises
    AirquillError.

    What else a profile holds stays. A unit that applies it turns through these presets only.
    """
    values = preset_values(plan)
    entries = tuple(entry for entry in SETTINGS if entry.path in values)
    return export(path, entries, values, None, title)


def preset_values(plan: Plan) -> dict[str, Value]:
    """The settings of the presets, by path."""
    values: dict[str, Value] = {}
    if plan.presets:
        values = {"preset.count": len(plan.presets), "preset.active": 1}
    for preset in plan.presets[:MOST_PRESETS]:
        full = plan.bench.held_kpa(preset.gauge, True, preset.duty)
        target = min(max(STEADY_RESERVE * preset.needed_kpa, LEAST_TARGET_KPA), full)
        values[f"preset{preset.number}.name"] = _name(preset)
        values[f"preset{preset.number}.strength_pct"] = Decimal(round(preset.duty * 100))
        values[f"preset{preset.number}.target_kpa"] = Decimal(min(ceil(target), int(full)))
    return values


def _name(preset: Preset) -> str:
    more = f" +{len(preset.packages) - 1}" if len(preset.packages) > 1 else ""
    start = f"{preset.gauge}G "
    room = NAME_BYTES - len(start + more)
    first = preset.packages[0].encode()[:room].decode(errors="ignore").strip()
    return start + first + more
