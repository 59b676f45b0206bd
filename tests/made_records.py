"""Records of runs that never happened, for tests of what is made of many records."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from airquill_hil.limits import Limit, Outcome
from airquill_hil.record import CheckRecord, FigureRecord, Record, UnitRecord

LIMIT = Limit(low=50.0, guard=1.0, flag="P")
BEGIN = datetime(2026, 11, 24, 8, tzinfo=UTC)


def made_record(n: int, kpa: float | None = 60.0, serial: str = "", chip: str = "", **other: Any) -> Record:
    """The run of minute `n` of a day, with one measured figure; its outcome and the verdict follow from its value."""
    outcome = LIMIT.judge(kpa)
    serial = serial or f"HEATHER-{n:02}"
    figure = FigureRecord(
        name="sealed_kpa",
        value=kpa,
        shown=f"{kpa} kPa",
        unit="kPa",
        low=LIMIT.low,
        high=None,
        must=None,
        guard=LIMIT.guard,
        flag=LIMIT.flag,
        outcome=outcome,
        reason="Enough vacuum.",
        note="",
    )
    trace = {"at_s": [0.0, 0.01], "kpa": [0.0, kpa or 0.0], "states": [], "marks": [], "levels": []}
    check = CheckRecord(
        name="vacuum",
        title="Sealed vacuum",
        outcome=outcome,
        figures=[figure],
        traces={"sealed tip": trace},
    )
    when = BEGIN + timedelta(minutes=n)
    values: dict[str, Any] = {
        "id": str(uuid.uuid4()),
        "verdict": "rejected" if outcome is Outcome.FAIL else "accepted",
        "sentence": "Made up.",
        "serial": serial,
        "unit": UnitRecord(
            chip=chip or f"{n:016x}",
            board="virtual",
            firmware="0.1.0",
            build="7be8b01f",
            registry=1,
            registry_hash="12345678",
            boots=1,
            cause="power",
            capabilities=["sensor"],
        ),
        "board_revision": "C",
        "pump_lot": "P-12",
        "settings_hash": "0" * 16,
        "limits_version": 1,
        "limits_hash": "1" * 16,
        "needle_gauge": 22,
        "station": "bench 1",
        "operator": "Ada",
        "rig": {"serial": "RIG-1", "calibrated": "2026-11-01"},
        "altitude_m": 520.0,
        "ambient_kpa": 95.2,
        "started": when.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "ended": (when + timedelta(seconds=30)).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "host": {"airquill": "0.1.0"},
        "checks": [check],
    }
    return Record.model_validate({**values, **other})
