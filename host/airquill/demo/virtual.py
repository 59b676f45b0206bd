"""Starts a virtual unit as a process of its own, and ends it."""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from airquill.errors import AirquillError
from airquill.simulator.platform import require_unix

START_S = 60.0
END_S = 5.0
_COMMAND = "from airquill.cli.main import app; app()"  # works where no script is on the path


@contextlib.contextmanager
def virtual_unit(folder: Path, state: Path) -> Iterator[dict[str, Any]]:
    """A running virtual unit: its `port`, `folder` and `pid`. It and `state` are seen by this process alone.

    AirquillError when it does not start.
    """
    require_unix()
    before = os.environ.get("AIRQUILL_STATE")
    os.environ["AIRQUILL_STATE"] = str(state)
    command = [sys.executable, "-c", _COMMAND, "sim", "run", "--dir", str(folder), "--json"]
    # Its own session: Ctrl-C is for this process, which then ends that one.
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True)
    try:
        yield _ready(process)
    finally:
        process.terminate()
        try:
            process.communicate(timeout=END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
        if before is None:
            os.environ.pop("AIRQUILL_STATE", None)
        else:
            os.environ["AIRQUILL_STATE"] = before


def _ready(process: subprocess.Popen[bytes]) -> dict[str, Any]:
    assert process.stdout is not None and process.stderr is not None
    end = time.monotonic() + START_S
    said = b""
    with selectors.DefaultSelector() as select:
        select.register(process.stdout, selectors.EVENT_READ)
        while b"\n" not in said:
            if not select.select(max(0.0, end - time.monotonic())):
                raise AirquillError(
                    "The virtual unit did not start within half a minute. Is this computer very busy?", 1
                )
            data = os.read(process.stdout.fileno(), 4096)
            if not data:
                why = process.stderr.read().decode(errors="replace").strip()
                raise AirquillError(f"The virtual unit did not start. {why}".strip(), 1)
            said += data
    found: dict[str, Any] = json.loads(said)
    return found
