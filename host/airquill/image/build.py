"""A stock MicroPython and Airquill's firmware become one UF2, and back."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from airquill.errors import AirquillError
from airquill.image.compile import compile_files, compile_source
from airquill.image.layout import STORE_BLOCKS, STORE_PATHS
from airquill.image.littlefs import build_filesystem, read_filesystem, used_blocks
from airquill.image.manifest import PATH as MANIFEST_PATH
from airquill.image.manifest import file_hash, manifest, read_manifest, setting_ids
from airquill.image.record import read_record, with_record
from airquill.image.report import FileReport, ImageReport, Region
from airquill.image.sources import device_files, facts, reference_wiring
from airquill.image.stock import Stock, check_fits, read_file, read_stock
from airquill.image.uf2 import BLOCK_BYTES, PAYLOAD_BYTES, add_blocks, write_uf2
from airquill.link.convert import Value
from airquill_device import wiring as device_wiring

WIRING_PATH = "/wiring.json"
ADDON_FOLDER = "/airquill_device/extensions"
ADDON_CODE = "/airquill_device/addons.mpy"
"""A twentieth of the firmware, asked for only where there are add-ons."""


def firmware_files(
    wiring: Path | None = None, addons: Sequence[Path] = (), tree: Path | None = None, addon_code: bool = False
) -> dict[str, bytes]:
    """All that goes onto the chip's disk: path to content, the firmware compiled, the manifest last.

    Without `wiring` it is the reference design's, without `tree`, a source tree, the installed firmware. The code that
    add-ons need comes with them, or with `addon_code`. Raises AirquillError for a wrong wiring file or add-on.
    """
    sources = device_files(tree)
    files = compile_files(sources)
    if not addons and not addon_code:
        files.pop(ADDON_CODE, None)  # compiled all the same: short names follow from all sources
    for addon in addons:
        path = f"{ADDON_FOLDER}/{addon.stem}.mpy"
        if addon.suffix != ".py" or not addon.stem.isidentifier():
            raise AirquillError(f"{addon} is no add-on. Name it as a Python module, such as lamp.py.")
        if path in files:
            raise AirquillError(f"There are two add-ons named {addon.stem}. Rename {addon}.")
        read_file(addon)
        files[path] = compile_source(addon, f"{ADDON_FOLDER}/{addon.name}")
    files[WIRING_PATH] = _checked_wiring(wiring or reference_wiring())
    hashes = {path: file_hash(content) for path, content in files.items()}
    files[MANIFEST_PATH] = manifest(*facts(sources), hashes)
    return files


def _checked_wiring(path: Path) -> bytes:
    content = read_file(path)
    try:
        text = content.decode()
    except UnicodeDecodeError as error:
        raise AirquillError(f"{path} is not a text file. Give a wiring file.") from error
    _, problem = device_wiring.read(text)
    if problem:
        raise AirquillError(f"{path}: {problem}")
    return content


def build(
    stock_path: Path,
    out_path: Path,
    wiring: Path | None = None,
    addons: Sequence[Path] = (),
    settings: Mapping[str, Value] | None = None,
) -> ImageReport:
    """Write the image for `stock_path`'s board to `out_path`; the same input gives the same bytes.

    With `settings` (path to value, of a profile) the image carries them as a saved record, which replaces the settings
    of a unit that gets it; what stays with the unit is left alone.
    Returns what is in it. Raises AirquillError, and leaves `out_path` as it was, when something does not fit.
    """
    if out_path.exists() and stock_path.exists() and out_path.samefile(stock_path):
        raise AirquillError(f"{out_path} is the stock firmware itself. Give the image another name.")
    stock = read_stock(stock_path)
    check_fits(stock, stock_path)
    layout = stock.layout
    image = build_filesystem(firmware_files(wiring, addons), layout)
    carried = used_blocks(image, layout) - set(STORE_BLOCKS)
    if settings is not None:
        image, written = with_record(image, layout.block_bytes, settings)
        carried |= written
    merged = add_blocks(stock.uf2, layout.address, image, carried, layout.block_bytes)
    _write_whole(out_path, write_uf2(merged))
    return inspect(out_path)


def _write_whole(path: Path, content: bytes) -> None:
    """Write a file so that a reader finds the old content or the new, never a part."""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            Path(name).chmod(0o644)
            Path(name).replace(path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise AirquillError(f"{path} cannot be written: {error.strerror or error}.") from error


def inspect(path: Path) -> ImageReport:
    """What an image or a stock firmware holds. Raises AirquillError when the file is damaged or something else."""
    stock = read_stock(path)
    disk = image_filesystem(stock)
    files = read_filesystem(disk, stock.layout) if disk else {}
    shown = {name: content for name, content in sorted(files.items()) if name not in STORE_PATHS}
    about = read_manifest(shown)
    return ImageReport(
        path=str(path),
        image_bytes=BLOCK_BYTES * (len(stock.uf2.pages) + len(stock.uf2.preface)),
        blocks=len(stock.uf2.pages),
        family=stock.uf2.family_name,
        family_id=stock.uf2.family,
        board=stock.board,
        micropython=stock.version,
        airquill=about.get("firmware"),
        build=about.get("build"),
        registry=about.get("registry"),
        setting_ids=setting_ids(about),
        wiring=_wiring_name(shown),
        settings=_record_of(stock, disk),
        addons=[name.rpartition("/")[2].partition(".")[0] for name in shown if name.startswith(ADDON_FOLDER + "/")],
        files=[
            FileReport(path=name, bytes=len(content), sha256=hashlib.sha256(content).hexdigest())
            for name, content in shown.items()
        ],
        map=_map(stock),
        warnings=list(stock.warnings),
    )


def _record_of(stock: Stock, disk: bytes | None) -> dict[str, str] | None:
    if disk is None or stock.layout.address + STORE_BLOCKS[0] * stock.layout.block_bytes not in stock.uf2.pages:
        return None
    return read_record(disk, stock.layout.block_bytes)


def image_filesystem(stock: Stock) -> bytes | None:
    """The disk as it is after this firmware was dropped onto an erased chip, or None when the file carries none."""
    layout = stock.layout
    if not any(layout.address <= address < layout.address + layout.size for address in stock.uf2.pages):
        return None
    return stock.uf2.memory(layout.address, layout.size)


def _wiring_name(files: dict[str, bytes]) -> str | None:
    try:
        return str(json.loads(files[WIRING_PATH])["board"])
    except (KeyError, TypeError, ValueError):
        return None


def _map(stock: Stock) -> list[Region]:
    layout = stock.layout
    store = layout.address + STORE_BLOCKS[0] * layout.block_bytes
    store_end = layout.address + STORE_BLOCKS.stop * layout.block_bytes
    start = min(stock.uf2.pages)
    stretches = [
        (start, stock.program_end, "MicroPython"),
        (stock.program_end, layout.address, "free"),
        (layout.address, store, "disk"),
        (store, store_end, "disk: the unit's own records"),
        (store_end, layout.address + layout.size, "disk"),
    ]
    return [
        Region(start=begin, end=end, what=what, carried_bytes=_carried(stock, begin, end))
        for begin, end, what in stretches
        if end > begin
    ]


def _carried(stock: Stock, begin: int, end: int) -> int:
    return sum(max(0, min(end, address + PAYLOAD_BYTES) - max(begin, address)) for address in stock.uf2.pages)
