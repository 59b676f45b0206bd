"""`airquill watch`: on a terminal, as lines, into a file, and the page of a recording."""

from __future__ import annotations

import fcntl
import importlib.util
import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import termios
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from airquill.live.recording import Writer, read_recording
from airquill.simulator.control import Control
from airquill.simulator.units import control
from command_line import AIRQUILL, ENVIRONMENT, Running, airquill, end, start_unit
from operator_at_work import HEADER

from .lines import Cable

GUARD_S = 60.0  # against a hang only


@pytest.fixture
def hands(sim: str) -> Control:
    return control(sim)


def test_lines_when_piped(sim: str, hands: Control) -> None:
    lines = airquill("watch", "--for", "1", "--every-ms", "100").done().splitlines()
    assert len(lines) == 10
    assert lines[0].startswith("at_s=0.0 vacuum.kpa=")
    hands.tip("sealed")
    airquill("do", "pick").done()
    watched = airquill("watch", "vacuum.kpa", "pedal1.down", "--for", "2", "--json").done()
    trace = [json.loads(line) for line in watched.splitlines()]
    assert len(trace) == 20
    assert [sample["at_s"] for sample in trace[:3]] == pytest.approx([0.0, 0.1, 0.2], abs=0.005)
    assert trace[-1]["vacuum.kpa"] > trace[0]["vacuum.kpa"] + 5
    assert trace[0]["pedal1.down"] is False


def test_readings_only(sim: str) -> None:
    assert "Did you mean vacuum.kpa" in airquill("watch", "vacum.kpa", "--for", "1").sentences(2)
    assert "fewer" in airquill("watch", "loop", "life", "--for", "1").sentences(2)


def test_json_lines_hold_header_samples_events_and_counts(sim: str) -> None:
    airquill("set", "--keep", "unit.serial=HEATHER-07", "unit.name=bench of Ada").done()
    out = airquill("watch", "--json", "--for", "1", "--altitude", "520").done()
    header, *lines = [json.loads(line) for line in out.splitlines()]
    assert (header["recording"], header["serial"], header["altitude_m"], header["sensor"]) == (
        1,
        "HEATHER-07",
        520,
        True,
    )
    assert "Ada" not in out
    assert lines[0] == {"at_s": 0.0, "event": "cycle", "state": "idle"}
    assert {"at_s": 0.0, "cycle.picks": 0, "cycle.released": 0, "preset.strength_pct": 80.0} in lines
    assert sum("vacuum.kpa" in line for line in lines) >= 9


def test_what_does_not_go_together(sim: str, tmp_path: Path) -> None:
    some = tmp_path / "a.jsonl"
    assert "Leave the other options off" in airquill("watch", "--plot", some, "--for", "3").sentences(2)
    assert "Leave the names off" in airquill("watch", "vacuum.kpa", "--record", some, "--for", "1").sentences(2)
    some.write_text("kept")
    assert "is there already" in airquill("watch", "--record", some, "--for", "1").sentences(2)
    assert some.read_text() == "kept"
    assert "cannot be written" in airquill("watch", "--record", tmp_path / "no" / "a", "--for", "1").sentences(2)


def picks(running: Running, count: int) -> None:
    with Control.at(running.folder / "control") as hands:
        hands.tip("sealed")
        for _ in range(count):
            hands.press(1, ms=1400, bounce="foot")
            time.sleep(2.2)


def wait_for(seen: Callable[[], object]) -> None:
    give_up = time.monotonic() + GUARD_S
    while not seen() and time.monotonic() < give_up:
        time.sleep(0.05)
    assert seen()


def started(running: Running, *options: str | Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*AIRQUILL, "watch", "--port", running.port, *map(str, options)],
        env=ENVIRONMENT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_a_recording_can_be_read_whatever_ended_it(unit: Running, tmp_path: Path, how: signal.Signals) -> None:
    path = tmp_path / "heather.jsonl"
    process = started(unit, "--record", path)
    wait_for(lambda: path.is_file() and path.read_bytes().count(b"\n") > 5)
    picks(unit, 2)
    wait_for(lambda: path.read_bytes().count(b'"releasing"') == 2)
    wait_for(lambda: b'"idle"' in path.read_bytes().rpartition(b'"releasing"')[2])
    process.send_signal(how)
    out, err = process.communicate(timeout=GUARD_S)
    assert (process.returncode, out, err) == (130 if how == signal.SIGINT else -9, "", "")
    found = read_recording(path)
    assert len(found.picks) == 2
    assert all(pick.level_kpa is not None and pick.level_kpa > 50 for pick in found.picks)
    page = airquill("watch", "--plot", path).done()
    assert "2 picks in" in page
    assert path.with_suffix(".html").is_file()


def test_a_recording_outlives_the_cable(tmp_path: Path) -> None:
    running = start_unit(tmp_path / "unit")
    cable = Cable(running.port)
    path = tmp_path / "a.jsonl"
    try:
        process = subprocess.Popen(
            [*AIRQUILL, "watch", "--port", cable.port, "--record", str(path)],
            env=ENVIRONMENT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        wait_for(lambda: path.is_file() and path.read_bytes().count(b"\n") > 10)
        cable.close()
        _, err = process.communicate(timeout=GUARD_S)
        assert process.returncode == 3
        assert "was lost" in err
        assert len(read_recording(path).trace.at_s) > 3
    finally:
        end(running)


def screen_of(running: Running, columns: int, rows: int, *until: str) -> tuple[list[str], str, int]:
    """The command on a real terminal until it shows these texts: the rows then, all that it said, its code."""
    import pyte

    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    environment = {name: value for name, value in ENVIRONMENT.items() if name not in ("COLUMNS", "LINES", "NO_COLOR")}
    process = subprocess.Popen(
        [*AIRQUILL, "watch", "--port", running.port],
        env={**environment, "TERM": "xterm-256color"},
        stdin=slave,
        stdout=slave,
        stderr=slave,
    )
    os.close(slave)
    screen = pyte.Screen(columns, rows)
    stream = pyte.ByteStream(screen)
    raw = b""
    shown: list[str] = []
    give_up = time.monotonic() + GUARD_S
    while time.monotonic() < give_up and not all(text in "\n".join(shown) for text in until):
        if select.select([master], [], [], 0.2)[0]:
            some = os.read(master, 65536)
            raw += some
            stream.feed(some)
            shown = list(screen.display)
    process.send_signal(signal.SIGINT)
    after = b""
    while True:
        try:
            some = os.read(master, 65536)
        except OSError:  # the other end is closed: it has ended
            break
        after += some
    process.wait(GUARD_S)
    os.close(master)
    return shown, (raw + after).decode(), process.returncode


@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (50, 20)])
def test_on_a_terminal(unit: Running, require: Any, columns: int, rows: int) -> None:
    require(importlib.util.find_spec("pyte"), "needs pyte: pip install pyte")
    with Control.at(unit.folder / "control") as hands:
        hands.tip("sealed")
        hands.press(1, ms=20000)
        shown, said, code = screen_of(unit, columns, rows, "● HOLDING", "valve on", "Ctrl-C leaves")
        hands.release(1)
    text = "\n".join(shown)
    assert code == 130
    assert "● HOLDING" in text
    assert "valve on" in text
    assert "Ctrl-C leaves" in text
    assert text.count("█") > 40
    assert re.search(r"\x1b\[[0-9;]*32m", said), "nothing is green"
    # It uses the other screen of the terminal, and gives the first one back.
    assert said.index("\x1b[?1049h") < said.index("\x1b[?1049l")
    assert said.rstrip().endswith("0 picks.")


def test_the_page_of_a_recording(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    hostile = HEADER.model_copy(update={"serial": "<script>alert(1)</script>", "board": "\x1b[31m<b>"})
    with Writer(path, hostile) as writer:
        for n in range(3):
            for line in pick_lines(1.0 + 4 * n):
                writer.put(line)
    made = airquill("watch", "--plot", path, "--json").json
    assert [pick["level_kpa"] for pick in made["picks"]] == [60.0, 60.0, 60.0]
    assert made["notices"] == []
    page = Path(made["page"]).read_text()
    assert "<script" not in page
    assert "\x1b" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert page.count("<svg") >= 4
    assert not re.search(r"(?:src|href)\s*=\s*[\"']?(?!#)", page.replace('xlink:href="#', ""))
    assert "60.0 kPa" in airquill("watch", "--plot", path).done()


def pick_lines(at_s: float) -> list[dict[str, Any]]:
    rise = [{"at_s": round(at_s + n / 50, 3), "vacuum.kpa": min(60.0, n * 2.0)} for n in range(1, 75)]
    fall = [{"at_s": round(at_s + 1.5 + n / 100, 3), "vacuum.kpa": max(0.0, 60.0 - 10 * n)} for n in range(1, 80)]
    return [
        {"at_s": at_s, "event": "cycle", "state": "picking"},
        *rise,
        {"at_s": at_s + 1.5, "event": "cycle", "state": "releasing"},
        *fall,
    ]


def test_a_recording_without_picks_and_one_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    with Writer(path, HEADER):
        pass
    assert "No picks in 0 s" in airquill("watch", "--plot", path).done()
    assert "No picks were found" in path.with_suffix(".html").read_text()
    path.write_bytes(path.read_bytes() + b'{"at_s": 0.5, "vacuum.kpa": 1.0}\n{"at_s": 0.')
    answer = airquill("watch", "--plot", path)
    assert answer.done()
    assert "line, 3, is cut off" in answer.err


@pytest.mark.parametrize("text", ["", "{", "[]", '{"recording": 2}', "\x00\x01"])
def test_what_is_no_recording(tmp_path: Path, text: str) -> None:
    path = tmp_path / "bad.jsonl"
    path.write_text(text)
    airquill("watch", "--plot", path).sentences(2)
    assert not path.with_suffix(".html").exists()
