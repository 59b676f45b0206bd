"""The root of the command line: help, version, errors."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from airquill.cli import find as find_command
from airquill.cli.main import COMMANDS
from airquill.cli.root import SOFTWARE_ERROR
from command_line import AIRQUILL, ENVIRONMENT, airquill


def test_every_command_loads_and_explains_itself_with_an_example() -> None:
    for entry in COMMANDS:
        page = airquill(entry.name, "--help").done()
        assert "Usage" in page
        assert "Example" in page or "Commands" in page, entry.name
        # The line in the root's help page says what the command's own page begins with.
        assert entry.help.endswith(".")


def test_help_lists_all_commands() -> None:
    page = airquill("--help").done()
    for entry in COMMANDS:
        assert entry.name in page
    assert "2 bad input" in page
    assert "--debug" not in page


def test_help_loads_nothing_heavy() -> None:
    """What would make it slow; tests/benchmarks/commands.py says how long it takes."""
    code = (
        "import sys; from airquill.cli.main import app\n"
        "try: app(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'scipy', 'numpy', 'matplotlib', 'pydantic', 'serial'}\n"
        "print('loaded', *sorted(heavy & set(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], env=ENVIRONMENT, capture_output=True, text=True, check=True)
    assert out.stdout.splitlines()[-1].split() == ["loaded"]


def test_version() -> None:
    assert airquill("--version").done().startswith("airquill ")


def test_a_mistyped_command_is_answered_with_the_nearest() -> None:
    assert "Did you mean 'show'" in airquill("shwo").sentences(2)


def test_a_missing_argument_or_unknown_option_is_bad_input() -> None:
    assert "PATH=VALUE" in airquill("set").sentences(2)
    assert "--kep" in airquill("set", "pump.kick_ms=1", "--kep").sentences(2)
    assert "first" in airquill("keys", "bind", "third", "tap", "Tab").sentences(2)


def test_a_fault_of_the_program_asks_to_be_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> None:
        raise ZeroDivisionError("in a test")

    monkeypatch.setattr("airquill.link.discovery.find", fail)
    assert find_command
    sentence = airquill("find").sentences(SOFTWARE_ERROR)
    assert "please report it" in sentence
    assert "ZeroDivisionError" in sentence
    loud = airquill("--debug", "find")
    assert loud.code == SOFTWARE_ERROR
    assert "Traceback" in loud.err
    assert "in a test" in loud.err


def test_ctrl_c_is_quiet() -> None:
    process = subprocess.Popen(
        [*AIRQUILL, "watch", "--port", "sim://", "--json", "--every-ms", "1000"],
        env=ENVIRONMENT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    process.stdout.readline()
    process.send_signal(2)
    _, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (130, "")


def test_a_closed_pipe_ends_quietly() -> None:
    process = subprocess.Popen(
        [*AIRQUILL, "watch", "--port", "sim://", "--every-ms", "10"],
        env=ENVIRONMENT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    process.stdout.readline()
    process.stdout.close()
    process.wait(60)
    assert process.stderr is not None
    assert process.stderr.read() == ""
    process.stderr.close()


def test_errors_are_red_on_a_terminal_only(tmp_path: Path) -> None:
    import os
    import pty

    command = [*AIRQUILL, "profile", "check", str(tmp_path / "none.toml")]
    piped = subprocess.run(command, env=ENVIRONMENT, capture_output=True, text=True, check=False)
    assert "\x1b" not in piped.stderr
    master, slave = pty.openpty()
    terminal = subprocess.Popen(command, env=ENVIRONMENT, stderr=slave, stdout=slave)
    terminal.wait(60)
    time.sleep(0.05)
    seen = os.read(master, 4096)
    os.close(master)
    os.close(slave)
    assert b"\x1b[31m" in seen
