"""Every bad input over a real pseudo-terminal: one or two sentences, the right exit code, nothing half-changed."""

from __future__ import annotations

import fcntl
import os
import pty
import subprocess
import sys
import tty
from contextlib import ExitStack
from pathlib import Path

import pytest
import serial

from airquill.simulator.child import find_micropython
from command_line import ENVIRONMENT, Running, airquill, end, start_unit

from .lines import Cable, Stranger


def unchanged(unit: Running, *arguments: str | Path, code: int) -> str:
    """Run a command that must fail and leave all settings as they were; its sentence."""
    before = unit.settings()
    sentence = airquill(*arguments, "--port", unit.port).sentences(code)
    assert unit.settings() == before
    return sentence


def test_unknown_path(unit: Running) -> None:
    sentence = unchanged(unit, "set", "pump.ramp_ms=100", "pump.kik_ms=100", code=2)
    assert "There is no setting pump.kik_ms. Did you mean pump.kick_ms" in sentence
    assert "Did you mean pump" in airquill("show", "pmup", "--port", unit.port).sentences(2)


def test_value_out_of_range(unit: Running) -> None:
    sentence = unchanged(unit, "set", "pump.ramp_ms=100", "pump.kick_ms=5000", code=2)
    assert sentence == "pump.kick_ms takes whole numbers from 0 to 1000 ms, not 5000."


def test_value_of_the_wrong_type(unit: Running) -> None:
    assert "not 'fast'" in unchanged(unit, "set", "pump.kick_ms=fast", code=2)
    assert "momentary" in unchanged(unit, "set", "pedal1.vacuum=sometimes", code=2)
    assert "PATH=VALUE" in unchanged(unit, "set", "pump.kick_ms", code=2)
    assert "Page Down" in unchanged(unit, "set", "pedal2.tap_keys=Pag Down", code=2)


def test_conflicting_fields_in_a_batch(unit: Running) -> None:
    sentence = unchanged(unit, "set", "pump.kick_ms=100", "grip.lost_pct=70", "grip.found_pct=60", code=2)
    assert "grip.lost_pct" in sentence
    assert "grip.found_pct" in sentence


def test_a_stroke_that_the_unit_refuses(unit: Running) -> None:
    assert "keys.allow_system" in unchanged(unit, "keys", "bind", "2", "tap", "Left Control + W", code=2)


def test_a_setting_that_may_not_change_while_vacuum_is_on(unit: Running) -> None:
    airquill("do", "pick", "--port", unit.port).done()
    assert "pump.pwm_hz" in unchanged(unit, "set", "pump.pwm_hz=20000", code=1)
    airquill("do", "release", "--port", unit.port).done()


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (("do", "pik"), "Did you mean pick"),
        (("do", "preset"), "NUMBER"),
        (("do", "preset", "9"), "from 1 to 8"),
        (("do", "learn", "closed"), "open, sealed"),
        (("do", "pick", "now"), "no arguments"),
        (("keys", "bind", "2", "tap", "Left Shift +"), "missing beside +"),
    ],
)
def test_bad_actions_and_strokes(unit: Running, arguments: tuple[str, ...], word: str) -> None:
    assert word in unchanged(unit, *arguments, code=2)


PROFILE = """
[profile]
registry = 1

[pump]
kick_ms = 150
ramp_ms = 250

[pedal2]
tap_keys = "Page Down"
"""


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "heather.toml"
    path.write_text(text)
    return path


@pytest.mark.parametrize("command", [("diff",), ("apply", "--yes")], ids=["diff", "apply"])
@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("ramp_ms = 250", "rmap_ms = 250", "Did you mean pump.ramp_ms"),
        ("[pump]", "[pumpe]", "Did you mean pump?"),
        ("ramp_ms = 250", "ramp_ms = 2500", "from 0 to 2000 ms"),
        ("ramp_ms = 250", 'ramp_ms = "slow"', "whole numbers"),
        ("registry = 1", "registry = 2", "Update Airquill"),
        ("Page Down", "Pag Down", "Did you mean Page Down"),
        ("ramp_ms = 250", "ramp_ms = ", "no TOML"),
        ("[profile]\nregistry = 1", "", "registry = 1"),
    ],
)
def test_bad_profiles(unit: Running, tmp_path: Path, command: tuple[str, ...], old: str, new: str, word: str) -> None:
    assert old in PROFILE
    file = write(tmp_path, PROFILE.replace(old, new))
    assert word in unchanged(unit, "profile", command[0], file, *command[1:], code=2)
    assert word in airquill("profile", "check", file).sentences(2)


def test_a_profile_that_the_unit_refuses_as_a_whole(unit: Running, tmp_path: Path) -> None:
    """Alone the file is sound; with what the unit has it is not."""
    airquill("set", "grip.found_pct=20", "grip.lost_pct=10", "--port", unit.port).done()
    file = write(tmp_path, PROFILE + "\n[grip]\nlost_pct = 25\n")
    assert "grip.lost_pct" in unchanged(unit, "profile", "apply", file, "--yes", code=2)


def test_no_profile_there(unit: Running, tmp_path: Path) -> None:
    assert "No such file" in airquill(
        "profile", "apply", tmp_path / "none.toml", "--yes", "--port", unit.port
    ).sentences(2)


def test_apply_without_a_yes(unit: Running, tmp_path: Path) -> None:
    sentence = unchanged(unit, "profile", "apply", write(tmp_path, PROFILE), code=2)
    assert "--yes" in sentence
    assert "Nothing was changed" in sentence


def test_no_unit(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("AIRQUILL_STATE", str(tmp_path))
    monkeypatch.setattr("airquill.link.discovery.list_ports.comports", list)
    monkeypatch.setattr("airquill.link.volumes.mounted_folders", list)
    for command in ("show", "find"):
        assert "There is no unit" in airquill(command).sentences(3)
    answer = airquill("find", "--json")
    assert (answer.code, answer.json) == (3, [])


def test_no_such_port(tmp_path: Path) -> None:
    assert "airquill find" in airquill("show", "--port", str(tmp_path / "ttyACM9")).sentences(3)
    assert "cannot be opened" in airquill("show", "--port", "nonsense://x").sentences(3)
    assert "no option" in airquill("show", "--port", "sim://?colour=red").sentences(3)


def test_two_units_and_no_port(unit: Running, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("airquill.link.discovery.list_ports.comports", list)
    second = start_unit(tmp_path / "second", "--seed", "2")
    try:
        sentence = airquill("show").sentences(3)
        assert unit.port in sentence
        assert second.port in sentence
        assert "--port" in sentence
        found = airquill("find", "--json")
        assert found.code == 0
        assert {one["port"] for one in found.json} == {unit.port, second.port}
        assert len({one["chip"] for one in found.json}) == 2
        # Either way of choosing works.
        assert second.port in airquill("show", "--json", "--port", second.port).done()
        assert second.port in airquill("show", "--json", AIRQUILL_PORT=second.port).done()
    finally:
        end(second)
    # The second one has ended and is forgotten, so there is nothing to choose.
    assert unit.port in airquill("show", "--json").done()


@pytest.mark.parametrize("answer", [lambda heard: b"", lambda heard: heard], ids=["silent", "echo"])
def test_a_port_that_is_something_else(answer: object, cleanup: ExitStack) -> None:
    stranger = Stranger(answer)  # type: ignore[arg-type]
    cleanup.callback(stranger.close)
    assert "does not answer as an Airquill unit" in airquill("show", "--port", stranger.port).sentences(3)


def test_a_bare_prompt(cleanup: ExitStack) -> None:
    """A real MicroPython at its prompt."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    prompt = subprocess.Popen([find_micropython(), "-i"], stdin=master, stdout=master, stderr=master)
    cleanup.callback(lambda: [prompt.kill(), prompt.wait(), os.close(master), os.close(slave)])
    port = os.ttyname(slave)
    assert "MicroPython prompt" in airquill("show", "--port", port).sentences(3)
    found = airquill("find", "--port", port)
    assert found.code == 3
    assert "airquill image build" in found.out


def test_permission_denied(unit: Running, cleanup: ExitStack) -> None:
    airquill("show", "--port", unit.port).done()  # whatever must be imported is
    port = Path(unit.port)
    mode = port.stat().st_mode
    port.chmod(0)
    cleanup.callback(port.chmod, mode & 0o777)
    if os.geteuid() == 0:
        cleanup.callback(os.seteuid, 0)
        os.seteuid(65534)
    assert "dialout" in airquill("show", "--port", unit.port).sentences(3)


def test_port_busy(unit: Running) -> None:
    with serial.Serial(unit.port, exclusive=True):
        assert "in use by another program" in airquill("show", "--port", unit.port).sentences(3)
    airquill("show", "--port", unit.port).done()


def test_port_locked_by_another_airquill(unit: Running) -> None:
    with Path(unit.port).open() as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        assert "in use" in airquill("set", "pump.kick_ms=100", "--port", unit.port).sentences(3)


@pytest.mark.parametrize("where", [b"batch open", b" set ", b"batch apply"])
def test_unplugged_before_a_line_of_an_apply_arrives(unit: Running, tmp_path: Path, where: bytes) -> None:
    before = unit.settings()
    cable = Cable(unit.port, before=where)
    try:
        answer = airquill("profile", "apply", write(tmp_path, PROFILE), "--yes", "--port", cable.port)
    finally:
        cable.close()
    assert cable.pulled
    assert "was lost" in answer.sentences(3)
    assert unit.settings() == before
    airquill("restart", "--port", unit.port).done()
    assert unit.settings() == before


def test_unplugged_right_after_the_apply_has_arrived(unit: Running, tmp_path: Path) -> None:
    """The host cannot know; the unit has all of it, running and saved."""
    cable = Cable(unit.port, after=b"batch apply")
    try:
        answer = airquill("profile", "apply", write(tmp_path, PROFILE), "--yes", "--port", cable.port)
    finally:
        cable.close()
    assert "was lost" in answer.sentences(3)
    airquill("restart", "--port", unit.port).done()
    has = unit.settings()
    assert (has["pump.kick_ms"], has["pump.ramp_ms"], has["pedal2.tap_keys"].hex()) == (150, 250, "11004e")


def test_the_unit_dies_in_the_middle_of_a_watch(tmp_path: Path) -> None:
    running = start_unit(tmp_path / "dying")
    cable = Cable(running.port, after=b" stream ")
    try:
        assert "was lost" in airquill("watch", "--port", cable.port, "--for", "5").sentences(3)
    finally:
        cable.close()
        end(running)


WITHOUT_UNIX = """import serial, sys
sys.modules.update(dict.fromkeys(("fcntl", "termios", "tty")))
from airquill.cli.main import app
app()"""
"""The command line where Python lacks what it lacks on Windows (Python's documentation: `Availability: Unix`)."""


def test_a_virtual_unit_without_unix_terminals(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    command = [sys.executable, "-c", WITHOUT_UNIX, "sim", "run", "--dir", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, env=ENVIRONMENT, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("This needs a Unix terminal")
    monkeypatch.setitem(sys.modules, "fcntl", None)
    assert airquill("demo", "--dir", tmp_path).sentences(2) in done.stderr
    assert list(tmp_path.iterdir()) == []
