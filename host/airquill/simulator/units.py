"""Virtual units that are shared by name within this process, and the options that a `sim://` address gives them."""

from __future__ import annotations

from binascii import crc32
from math import isfinite, nan
from pathlib import Path
from urllib.parse import parse_qsl, urlsplit

from airquill.errors import AirquillError
from airquill.simulator.control import Control
from airquill.simulator.flash import BLOCK_BYTES, BLOCKS
from airquill.simulator.unit import DEFAULT_PARTS, Unit

_FLAGS = {"on": True, "off": False}
_named: dict[str, Unit] = {}


def reset() -> None:
    """Forget all named units."""
    _named.clear()


def unit_at(url: str) -> Unit:
    """The unit of an address `sim://[name][?option=value&...]`; a named one is made at its first use only.

    The seed follows from the name unless it is given, so two names are two chips.

    Options: needle, tip, part (length x width x height : mass), seed, supply, fault (name:strength, repeatable), flash
    (file), addons (a folder), twin (a file of `airquill tune`), and on or off for each part: sensor, panel, keyboard,
    blow. ValueError says what is
    wrong with an address.
    """
    parts = urlsplit(url)
    if parts.scheme != "sim":
        raise ValueError(f"{url} is no address of a virtual unit; write sim://, sim://NAME or sim://?option=value")
    name = parts.netloc
    if name in _named:
        return _named[name]
    unit = _make(crc32(name.encode()) & 0x7FFFFFFF if name else 1, parse_qsl(parts.query, keep_blank_values=True))
    if name:
        _named[name] = unit
    return unit


def _make(seed: int, options: list[tuple[str, str]]) -> Unit:
    needle = 22
    fitted = list(DEFAULT_PARTS)
    flash_path: str | None = None
    extensions: str | None = None
    made_of: dict[str, dict[str, float]] | None = None
    later: list[tuple[str, str]] = []
    for key, value in options:
        if key == "seed":
            seed = _number(key, value)
        elif key == "needle":
            needle = _number(key, value)
        elif key == "flash":
            flash_path = value
        elif key == "addons":
            extensions = value
        elif key == "twin":
            made_of = _twin(value)
        elif key in ("sensor", "panel", "keyboard", "blow"):
            if value not in _FLAGS:
                raise ValueError(f"{key} must be on or off, not '{value}'")
            fitted = [part for part in fitted if part != key] + ([key] if _FLAGS[value] else [])
        elif key in ("tip", "supply", "fault", "part"):
            later.append((key, value))
        else:
            raise ValueError(
                f"a virtual unit has no option '{key}'; there are "
                "needle, tip, part, seed, supply, fault, flash, addons, twin, sensor, panel, keyboard, blow"
            )
    if flash_path is not None:
        make_blank_flash(Path(flash_path))
    unit = Unit(seed, needle, tuple(fitted), flash_path, extensions, made_of)
    for key, value in later:
        if key == "fault":
            fault, _, strength = value.replace("=", ":").partition(":")  # `sim run --fault` has a =
            if not strength:
                raise ValueError(f"a fault needs a strength of 0 to 1, as in fault={fault or 'hose_leak'}:0.3")
            unit.desk.do_fault(fault, _decimal(f"the strength of {fault}", strength))
        elif key == "part":
            unit.desk.do_touch(*_part(value))
        elif key == "supply":
            unit.desk.do_supply(_decimal(key, value))
        else:
            unit.desk.do_tip(value if value in ("open", "sealed") else _decimal(key, value))
    return unit


def _twin(path: str) -> dict[str, dict[str, float]]:
    """What the unit of a twin file is made of. ValueError says what is wrong with the file."""
    from airquill.twin.file import load_twin  # takes pydantic, which most units do without

    try:
        return load_twin(Path(path)).made_of()
    except AirquillError as error:
        raise ValueError(error.sentence.removesuffix(".")) from error


def make_blank_flash(path: Path) -> None:
    """Make a flash file of erased blocks if there is none. ValueError when a file there has another size."""
    size = BLOCKS * BLOCK_BYTES
    if not path.exists():
        path.write_bytes(b"\xff" * size)
    elif path.stat().st_size != size:
        raise ValueError(f"{path} is no flash file: it has {path.stat().st_size} bytes, not {size}")


def _number(key: str, value: str) -> int:
    if not value.isdigit():
        raise ValueError(f"{key} must be a whole number, not '{value}'")
    return int(value)


def _decimal(key: str, value: str) -> float:
    try:
        number = float(value)
    except ValueError:
        number = nan
    if not isfinite(number):
        raise ValueError(f"{key} must be a number, not '{value}'")
    return number


def _part(value: str) -> tuple[list[float], float]:
    """Size in mm and mass in mg of LENGTHxWIDTHxHEIGHT:MASS."""
    size, _, mass = value.partition(":")
    return [_decimal("part", side) for side in size.split("x")], _decimal("part", mass)


def control(url: str) -> Control:
    """Control of the named unit at an address."""
    return Control.of(unit_at(url))
