"""The rig's image: a stock MicroPython and the firmware of hil/rig in one UF2."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

from airquill.errors import AirquillError
from airquill.image.compile import compile_files
from airquill.image.littlefs import build_filesystem, used_blocks
from airquill.image.sources import device_files
from airquill.image.stock import check_fits, read_stock
from airquill.image.uf2 import add_blocks, write_uf2
from airquill.report.files import write_bytes

# What the rig shares with a unit, beside the protocol.
_SHARED = ("/airquill_device/__init__.py", "/airquill_device/console.py")


def rig_sources() -> dict[str, Path]:
    """Path on the chip to source file. AirquillError when the rig's firmware is not installed."""
    spec = find_spec("airquill_hil")
    assert spec is not None and spec.submodule_search_locations
    package = Path(spec.submodule_search_locations[0])
    folder = next((one for one in (package / "_root/rig", package.parent / "rig") if (one / "main.py").is_file()), None)
    if folder is None:
        raise AirquillError("The rig's firmware is missing. Install Airquill again.")
    unit = device_files()
    files = {path: unit[path] for path in unit if path.startswith("/airquill_protocol/") or path in _SHARED}
    files["/main.py"] = folder / "main.py"
    files |= {f"/airquill_rig/{path.name}": path for path in (folder / "airquill_rig").glob("*.py")}
    return dict(sorted(files.items()))


def build_rig(stock_path: Path, out_path: Path) -> int:
    """Write the image for `stock_path`'s board; returns its bytes. AirquillError, and nothing written, on bad input."""
    if out_path.exists() and stock_path.exists() and out_path.samefile(stock_path):
        raise AirquillError(f"{out_path} is the stock firmware itself. Give the image another name.")
    stock = read_stock(stock_path)
    check_fits(stock, stock_path)
    layout = stock.layout
    disk = build_filesystem(compile_files(rig_sources()), layout)
    merged = add_blocks(stock.uf2, layout.address, disk, used_blocks(disk, layout), layout.block_bytes)
    content = write_uf2(merged)
    write_bytes(out_path, content)
    return len(content)
