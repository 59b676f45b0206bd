"""The figures' arithmetic, and the command line around the chip."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.errors import AirquillError
from airquill_hil.chip import figures
from airquill_hil.chip.figures import Figure, percentile, run_group, source_hash

RUN = [sys.executable, "-c", "from airquill.cli.main import app; app()", "chip"]


@given(st.lists(st.floats(0, 1e6), min_size=1), st.integers(1, 100))
def test_percentile_is_numpys_inverted_cdf(values: list[float], share: int) -> None:
    assert percentile(values, share) == np.percentile(values, share, method="inverted_cdf")


def test_a_limit_is_the_most_or_the_least() -> None:
    assert Figure("a", 1.0, "ms", 1.0).ok
    assert not Figure("a", 1.1, "ms", 1.0).ok
    assert not Figure("a", 1.0, "B", 2.0, at_least=True).ok
    assert Figure("a", 1e9, "s").ok


def test_source_hash_follows_names_and_contents(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    one = tmp_path / "one.py"
    one.write_text("a = 1\n")
    monkeypatch.setattr(figures, "device_files", lambda: {"/one.py": one})
    first = source_hash()
    assert source_hash() == first
    one.write_text("a = 2\n")
    assert source_hash() != first
    one.write_text("a = 1\n")
    monkeypatch.setattr(figures, "device_files", lambda: {"/two.py": one})
    assert source_hash() != first


def test_every_group_is_there() -> None:
    for name in figures.GROUPS:
        module, _, function = name.partition(":")
        assert callable(getattr(__import__(f"airquill_hil.chip.{module}", fromlist=[function]), function))


@pytest.mark.chip
def test_size_counts_bytecode(stock_uf2: Path) -> None:
    (size,) = run_group("figures_memory:size", stock_uf2)
    assert 20_000 < size.value < 120_000


def test_a_file_that_is_no_firmware_is_refused(tmp_path: Path) -> None:
    bad = tmp_path / "bad.uf2"
    bad.write_bytes(b"nothing")
    with pytest.raises(AirquillError, match=r"bad\.uf2"):
        figures.measure(bad)


@pytest.mark.parametrize("command", ["run", "measure"])
def test_commands_refuse_a_missing_file_with_a_sentence(command: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [*RUN, command, "--stock-uf2", str(tmp_path / "absent.uf2")],
        check=False,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 2
    assert "absent.uf2" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.chip
@pytest.mark.parametrize("by", [signal.SIGINT, signal.SIGTERM])
def test_run_says_its_port_and_ends_cleanly(stock_uf2: Path, by: signal.Signals) -> None:
    with subprocess.Popen(
        [*RUN, "run", "--stock-uf2", str(stock_uf2), "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as running:
        assert running.stdout and running.stderr
        said = json.loads(running.stdout.readline())
        assert said["pid"] == running.pid
        assert Path(said["port"]).exists()
        os.kill(running.pid, by)
        assert running.wait(30) == 0
        assert running.stderr.read() == ""
