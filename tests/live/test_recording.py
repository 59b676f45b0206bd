"""Recordings: what is written can be read whatever ended it, and what is none is said to be none."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.errors import AirquillError
from airquill.live.recording import Writer, read_recording
from operator_at_work import HEADER

LINES: list[dict[str, Any]] = [
    {"at_s": 0.0, "event": "cycle", "state": "idle"},
    {"at_s": 0.1, "vacuum.kpa": 0.02, "pump.duty_pct": 40.0},
    {"at_s": 0.2, "event": "cycle", "state": "picking"},
    {"at_s": 0.3, "vacuum.kpa": 20.0},
    {"at_s": 0.4, "event": "cycle", "state": "releasing"},
    {"at_s": 0.5, "event": "cycle", "state": "idle"},
    {"at_s": 1.2, "vacuum.kpa": 0.0},
]


def write(path: Path, lines: list[dict[str, Any]] = LINES) -> bytes:
    with Writer(path, HEADER) as writer:
        for line in lines:
            writer.put(line)
    return path.read_bytes()


def test_what_was_written_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    write(path)
    found = read_recording(path)
    assert found.header == HEADER
    assert found.trace.kpa == [0.02, 20.0, 0.0]
    assert found.trace.states[1] == (0.2, "picking")
    assert (len(found.picks), found.seconds, found.remarks) == (1, 1.2, [])


def test_each_line_is_there_as_soon_as_it_was_put(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    with Writer(path, HEADER) as writer:
        for count, line in enumerate(LINES, start=2):
            writer.put(line)
            assert len(path.read_bytes().splitlines()) == count


def test_cut_off_anywhere_it_can_be_read(tmp_path: Path) -> None:
    whole = write(tmp_path / "whole.jsonl")
    first = whole.index(b"\n") + 1
    for end in range(first, len(whole)):
        path = tmp_path / "cut.jsonl"
        path.write_bytes(whole[:end])
        found = read_recording(path)
        assert len(found.trace.at_s) + len(found.trace.states) + len(found.remarks) <= len(LINES) + 1
        assert bool(found.remarks) >= (whole[end - 1 : end] not in b"\n}")


def test_a_recording_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    before = write(path)
    with pytest.raises(AirquillError, match="is there already"):
        Writer(path, HEADER)
    assert path.read_bytes() == before


def test_a_disk_that_takes_no_more_is_said_and_what_was_recorded_stays(tmp_path: Path) -> None:
    resource = pytest.importorskip("resource", reason="needs a system with limits for the size of files")
    path = tmp_path / "a.jsonl"
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    with Writer(path, HEADER) as writer:
        resource.setrlimit(resource.RLIMIT_FSIZE, (1500, before[1]))
        try:
            with pytest.raises(AirquillError, match=r"takes no more: File too large\. What was recorded"):
                for n in range(1000):
                    writer.put({"at_s": n / 10, "vacuum.kpa": 1.0})
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert len(read_recording(path).trace.at_s) > 5


HEAD = json.dumps(HEADER.model_dump())
BAD = {
    "empty": ("", "is empty"),
    "text": ("hello\n", "is no recording: is no JSON"),
    "a record": ('{"verdict": "accepted"}\n', "does not begin with a header"),
    "a list": ("[1, 2]\n", "no JSON object"),
    "another version": (json.dumps({**HEADER.model_dump(), "recording": 9}), "recording of version 9"),
    "a strange field": (json.dumps({**HEADER.model_dump(), "shell": "rm"}), "shell in its first line"),
    "absurd altitude": (json.dumps({**HEADER.model_dump(), "altitude_m": 1e300}), "altitude_m in its first line"),
    "infinite strength": (HEAD.replace("80.0", "Infinity", 1), "Infinity, which is no number"),
    "nested deep": ("[" * 4000 + "]" * 90, "is no JSON"),
    "a long line": ('{"recording": 1, "x": "' + "a" * 9000 + '"}', "longer than 4096"),
    "damage inside": (HEAD + '\n{"at_s": 0.\n{"at_s": 1.0, "vacuum.kpa": 1}\n', "line 2 is no JSON"),
    "NaN inside": (HEAD + '\n{"at_s": 0.1, "vacuum.kpa": NaN}\n{"at_s": 1.0}\n', "line 2 has NaN"),
    "back in time": (HEAD + '\n{"at_s": 5}\n{"at_s": 1}\n{"at_s": 6}\n', "line 3 has a time"),
    "no time": (HEAD + '\n{"vacuum.kpa": 5}\n{"at_s": 6}\n', "line 2 has a time"),
    "absurd vacuum": (HEAD + '\n{"at_s": 1, "vacuum.kpa": 5000}\n{"at_s": 6}\n', "5000 kPa, which no unit"),
    "text as vacuum": (HEAD + '\n{"at_s": 1, "vacuum.kpa": "5"}\n{"at_s": 6}\n', "no number for vacuum.kpa"),
    "nested value": (HEAD + '\n{"at_s": 1, "x": [1]}\n{"at_s": 6}\n', "value for 'x'"),
    "unknown event": (HEAD + '\n{"at_s": 1, "event": "boom"}\n{"at_s": 6}\n', "event that is not known, 'boom'"),
    "no state": (HEAD + '\n{"at_s": 1, "event": "cycle"}\n{"at_s": 6}\n', "no text for state"),
    "no preset": (HEAD + '\n{"at_s": 1, "event": "preset", "number": 2}\n{"at_s": 6}\n', "no number for strength_pct"),
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_no_recording_is_said_in_a_sentence(name: str, tmp_path: Path) -> None:
    text, wanted = BAD[name]
    path = tmp_path / "bad.jsonl"
    path.write_text(text)
    with pytest.raises(AirquillError) as caught:
        read_recording(path)
    assert wanted in caught.value.sentence
    assert caught.value.exit_code == 2


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(AirquillError, match="There is no file"):
        read_recording(tmp_path / "none.jsonl")
    with pytest.raises(AirquillError, match="cannot be read"):
        read_recording(tmp_path)


@given(st.binary(max_size=400), st.integers(0, 400))
def test_no_bytes_make_it_fail_otherwise(tmp_path_factory: pytest.TempPathFactory, junk: bytes, at: int) -> None:
    path = tmp_path_factory.mktemp("junk") / "a.jsonl"
    whole = write(path)
    place = min(at, len(whole))
    path.write_bytes(whole[:place] + junk + whole[place:])
    try:
        read_recording(path)
    except AirquillError as error:
        assert error.exit_code == 2
        assert error.sentence.isprintable()
