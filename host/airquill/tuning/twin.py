"""The twin of a unit that was measured and fitted, and its file."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from airquill.report.files import write_whole
from airquill.tuning.fit import Fit, Miss
from airquill.twin.file import LevelRow, MissRow, Number, RecordingRow, Said, Twin
from airquill.twin.measurement import Measurement
from airquill.twin.parameters import needle_parameter


def make_twin(measured: Measurement, found: Fit, unit: Mapping[str, str]) -> Twin:
    """The twin of a measurement and its fit; `unit` says name, serial, chip and firmware."""
    numbers = {
        name: Number(
            value=_rounded(one.value), low=_rounded(one.low), high=_rounded(one.high), told=one.told, why=one.why
        )
        for name, one in found.estimates.items()
    }
    needles = {str(gauge): numbers.pop(needle_parameter(gauge).name) for gauge in measured.needles}
    return Twin(
        made=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        unit=Said(**unit),
        source=measured.source,
        noise_kpa=round(measured.noise_kpa, 4),
        ambient_kpa=round(measured.ambient_kpa, 4),
        supply_v=round(measured.supply_v, 3),
        rest_kpa=round(measured.rest_kpa, 4),
        rest_error_kpa=max(round(measured.rest_error_kpa, 5), 1e-4),
        parameters=numbers,
        needles=needles,
        runs_pct=measured.runs_pct,
        stalls_pct=measured.stalls_pct,
        starts_pct=measured.starts_pct,
        stays_pct=measured.stays_pct,
        kick_ms=measured.kick_ms,
        levels=[
            LevelRow(
                needle=o.needle, sealed=o.sealed, duty_pct=round(o.duty * 100.0, 3), kpa=round(o.kpa, 4),
                error_kpa=round(o.error_kpa, 5), heat_k=round(o.heat_k, 3),
            )
            for o in measured.levels
        ],
        recordings=[
            RecordingRow(
                kind=o.kind, at_s=[round(at, 5) for at in o.at_s], kpa=[round(kpa, 3) for kpa in o.kpa],
                heat_k=round(o.heat_k, 3),
            )
            for o in measured.recordings
        ],
        misses=[_row(miss) for miss in found.misses],
        chi2_share=round(found.chi2_share, 4),
    )  # fmt: skip


def _row(miss: Miss) -> MissRow:
    return MissRow(what=miss.what, rms_kpa=round(miss.rms_kpa, 4), most_kpa=round(miss.most_kpa, 4))


def _rounded(value: float) -> float:
    return float(f"{value:.6g}")


def save_twin(twin: Twin, path: Path) -> None:
    """Write it in one step. AirquillError when it cannot be."""
    write_whole(path, twin.model_dump_json(indent=1) + "\n")
