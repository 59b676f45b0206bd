"""Acceptance of the unit in a labgrid place, run by the pytest of labgrid's own virtual environment.

    SERIAL=HEATHER-07 AIRQUILL=~/airquill/.venv/bin/airquill pytest --lg-env environment.yaml test_place.py

labgrid brings a changed pyserial, so Airquill stays in its own environment and gets addresses only. The record goes
where RECORDS says, else into ./records.
"""

import os
import subprocess

import pytest

SCHEMES = {"raw": "socket", "rfc2217": "rfc2217"}


def address(target, name):
    """What `airquill --port` takes for a port of the place."""
    port = target.get_resource("NetworkSerialPort", name=name)
    return f"{SCHEMES[port.protocol]}://{port.host}:{port.port}"


def test_unit_is_accepted(target):
    command = [os.environ.get("AIRQUILL", "airquill"), "accept", "--serial", os.environ["SERIAL"]]
    command += ["--port", address(target, "unit"), "--rig", address(target, "rig"), "--station", "bench-1"]
    command += ["--out", os.environ.get("RECORDS", "records")]
    code = subprocess.run(command, check=False).returncode
    if code:
        pytest.fail(f"airquill accept left with {code}: see its record", pytrace=False)
