"""The rig's PIO programs in an emulator, cycle by cycle: rp2040-pio-emulator runs what Adafruit's assembler makes of
them. The instructions are those of airquill_rig/programs.py itself, written down by a stand-in for MicroPython's
decorator; timing of each instruction is by the RP2040 data sheet, 3.4.
"""

from __future__ import annotations

import sys
import types
from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from airquill_rig.words import lasted, press_words

adafruit_pioasm = pytest.importorskip("adafruit_pioasm", reason="needs adafruit-circuitpython-pioasm")
pioemu = pytest.importorskip("pioemu", reason="needs rp2040-pio-emulator")

SOURCE = Path(__file__).parents[2] / "hil" / "rig" / "airquill_rig" / "programs.py"
WORDS = {"x_dec": "x--", "pin": "pin", "noblock": "noblock", "block": "block"}


class Writer:
    """Writes down instructions as assembler text."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def names(self) -> dict[str, Any]:
        def put(text: str) -> None:
            self.lines.append(text)

        return {
            "wrap_target": lambda: put(".wrap_target"),
            "wrap": lambda: put(".wrap"),
            "label": lambda name: put(f"{name}:"),
            "jmp": lambda *args: put("jmp " + ", ".join(WORDS.get(arg, arg) for arg in args)),
            "mov": lambda to, source: put(f"mov {to}, {source}"),
            "invert": lambda source: f"!{source}",
            "push": lambda how: put(f"push {how}"),
            "pull": lambda how: put(f"pull {how}"),
            "out": lambda to, bits: put(f"out {to}, {bits}"),
            **{name: name for name in ("x", "isr", "null", "pins", "pin", "x_dec", "noblock", "block")},
        }


@pytest.fixture(scope="module")
def programs() -> Iterator[Any]:
    """The module, imported with a `rp2` whose decorator writes down what it is given."""

    def asm_pio(**_: Any) -> Callable[[Callable[[], None]], Any]:
        def assembled(function: Callable[[], None]) -> Any:
            writer = Writer()
            # The names belong to the assembler, as on the chip.
            types.FunctionType(function.__code__, writer.names())()
            return adafruit_pioasm.Program("\n".join(writer.lines))

        return assembled

    stand_in = types.ModuleType("rp2")
    stand_in.asm_pio = asm_pio  # type: ignore[attr-defined]
    stand_in.PIO = types.SimpleNamespace(JOIN_RX=0, JOIN_TX=0, OUT_LOW=0, SHIFT_RIGHT=1)  # type: ignore[attr-defined]
    sys.modules["rp2"] = stand_in
    try:
        yield import_module("airquill_rig.programs")
    finally:
        del sys.modules["rp2"]
        sys.modules.pop("airquill_rig.programs", None)


def wraps(program: Any) -> dict[str, int]:
    kept = program.pio_kwargs
    return {"wrap_target": kept.get("wrap_target", 0), "wrap_top": kept.get("wrap", len(program.assembled) - 1)}


def measured(program: Any, level_at: Callable[[int], int], cycles: int) -> list[tuple[int, int]]:
    """(level, cycles) of each word that the gate program pushes; the queue is emptied as fast as it fills."""
    found = []
    steps = pioemu.emulate(
        list(program.assembled),
        stop_when=lambda _opcode, state: state.clock >= cycles,
        input_source=lambda clock: level_at(clock) << 6,
        jmp_pin=6,
        **wraps(program),
    )
    for _, after in steps:
        while after.receive_fifo:
            found.append(lasted(after.receive_fifo.popleft() & 0xFFFFFFFF))
    return found


@pytest.mark.parametrize(("high", "low"), [(625, 4375), (2500, 2500), (4900, 100), (101, 201), (40, 5000), (17, 18)])
def test_gate_times_both_levels_to_two_cycles(programs: Any, high: int, low: int) -> None:
    # 5000 cycles of 8 ns are 25 kHz; 625 of them are 12.5 %.
    period = high + low
    found = measured(programs.gate, lambda clock: int(clock % period < high), 8 * period)
    whole = found[2:-1]
    assert len(whole) >= 8
    for level, cycles in whole:
        assert abs(cycles - (high if level else low)) <= 2, found
    # What one level gets too much its neighbour gets too little, so the period is right on the mean.
    pairs = [a[1] + b[1] for a, b in zip(whole[::2], whole[1::2], strict=False)]
    assert sum(pairs) / len(pairs) == pytest.approx(period, abs=1.0)


def test_gate_says_nothing_while_nothing_changes(programs: Any) -> None:
    assert measured(programs.gate, lambda _clock: 0, 3000)[1:] == []
    assert measured(programs.gate, lambda _clock: 1, 3000) == []


def played(program: Any, words: list[int]) -> list[tuple[int, int]]:
    """(cycle, level) of each change of the pin; a cycle is 1 us as the rig clocks it."""
    initial = pioemu.State(transmit_fifo=pioemu.State().transmit_fifo.__class__(words))
    changes: list[tuple[int, int]] = []
    total = sum((word >> 1) + 4 for word in words)
    level = 0
    steps = pioemu.emulate(
        list(program.assembled),
        stop_when=lambda _opcode, state: state.clock > total + 50,
        initial_state=initial,
        out_base=0,
        out_count=1,
        shift_osr_right=True,
        **wraps(program),
    )
    for _, after in steps:
        now = after.pin_values & 1
        if now != level:
            level = now
            changes.append((after.clock, now))
    return changes


@pytest.mark.parametrize("bounce", [[], [120, 300], [50, 120, 300, 700], [4, 8], [900], [300, 700, 1500]])
def test_play_moves_the_contact_on_the_microsecond(programs: Any, bounce: list[int]) -> None:
    changes = played(programs.play, press_words(5, bounce))
    first = changes[0][0]
    even = bounce if len(bounce) % 2 == 0 else [*bounce, bounce[-1] + 100]
    at = [0, *even, 5000, *[5000 + us for us in even]]
    wanted = [(us, (n + 1) % 2 if us < 5000 else (n - len(even) - 1) % 2) for n, us in enumerate(at)]
    assert [(clock - first, level) for clock, level in changes] == wanted


def test_a_press_that_is_over_before_its_bounce_is_refused() -> None:
    with pytest.raises(ValueError, match="ms"):
        press_words(1, [500, 1200])


def test_programs_fit_one_pio_block(programs: Any) -> None:
    # RP2040 data sheet, 3.2: 32 instructions for the four state machines of a block.
    assert len(programs.gate.assembled) <= 32
    assert len(programs.play.assembled) <= 32
    assert SOURCE.exists()
