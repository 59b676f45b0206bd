"""The file system on the chip: LittleFS, disk version 2.0, one image the size of the chip's disk.

The store's files are pinned to fixed blocks. LittleFS offers no such thing, but a fresh one hands out blocks in
ascending order, round and round, starting from a place that follows from its superblock. So the builder looks where the
first block goes, writes one filler file up to the wanted place, and then the store's files; afterwards the filler goes
again. The result is checked, because another LittleFS might allocate differently.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from littlefs import LittleFS, LittleFSError, UserContext

from airquill.errors import AirquillError
from airquill.image.layout import STORE_BLOCKS, STORE_PATHS, Layout

DISK_VERSION = 0x0002_0000
"""2.0, which every LittleFS 2 reads. A newer driver raises it to 2.1 with its first write."""

# A file of at most this many bytes is kept inside its folder's block. MicroPython must hold such a file in its cache,
# which is 128 bytes for a mount with the default programming size; a larger one would overrun it.
INLINE_BYTES = 128

_ERASED = b"\xff"


class _Recorder(UserContext):
    """A flash image in memory that remembers which blocks were read and which were written."""

    def __init__(self, content: bytes) -> None:
        super().__init__(buffer=bytearray(content))
        self.read_blocks: set[int] = set()
        self.written_blocks: set[int] = set()

    def read(self, cfg: Any, block: int, off: int, size: int) -> bytearray:
        self.read_blocks.add(block)
        start = block * cfg.block_size + off
        return self.buffer[start : start + size]

    def prog(self, cfg: Any, block: int, off: int, data: bytes) -> int:
        self.written_blocks.add(block)
        start = block * cfg.block_size + off
        self.buffer[start : start + len(data)] = data
        return 0

    def erase(self, cfg: Any, block: int) -> int:
        self.written_blocks.add(block)
        self.blank(block, cfg.block_size)
        return 0

    def blank(self, block: int, block_bytes: int) -> None:
        """Erase without taking note."""
        self.buffer[block * block_bytes : (block + 1) * block_bytes] = _ERASED * block_bytes


def _filesystem(flash: _Recorder, layout: Layout, cache_bytes: int, disk_version: int = 0) -> LittleFS:
    return LittleFS(
        context=flash,
        mount=False,
        block_size=layout.block_bytes,
        block_count=layout.block_count,
        read_size=layout.program_bytes,
        prog_size=layout.program_bytes,
        cache_size=cache_bytes,
        lookahead_size=8,  # bytes, a bit a block: short, so that the filler's blocks are soon seen as free again
        inline_max=INLINE_BYTES,
        disk_version=disk_version,  # 0: the newest that the library knows
    )


def build_filesystem(files: dict[str, bytes], layout: Layout) -> bytes:
    """Image of a file system that holds `files` (absolute path to content) and the erased files of the store.

    The same input gives the same bytes. Raises AirquillError when the files do not fit or a path cannot be used.
    """
    _check_paths(files)
    flash = _Recorder(_ERASED * layout.size)
    fs = _filesystem(flash, layout, layout.program_bytes, DISK_VERSION)
    fs.format()
    fs.mount()
    path = "The store"
    try:
        marks = _pin_store(fs, flash, layout)
        for path in sorted(files):
            folder = path.rpartition("/")[0]
            if folder:
                fs.makedirs(folder, exist_ok=True)
            with fs.open(path, "wb") as file:
                file.write(files[path])
        fs.unmount()
    except LittleFSError as error:
        if error.code == LittleFSError.Error.LFS_ERR_NOSPC:
            size = sum(len(content) for content in files.values())
            raise AirquillError(
                f"The files do not fit: they have {size} bytes, the chip's disk {layout.size}. Leave some out."
            ) from error
        raise AirquillError(f"{path} cannot be put into the image: {error}.") from error
    return _with_erased_store(flash, marks, layout)


def _check_paths(files: dict[str, bytes]) -> None:
    for path in files:
        if not path.startswith("/") or path.endswith("/") or "//" in path:
            raise AirquillError(f"'{path}' is no path on the chip. Write it from the root, such as /main.py.")
        if path in STORE_PATHS:
            raise AirquillError(f"{path} belongs to the unit's own records. Give the file another name.")


def _pin_store(fs: LittleFS, flash: _Recorder, layout: Layout) -> list[bytes]:
    """Create the store's files at their blocks; returns the mark that each is filled with."""
    marks = [(b"airquill store %d\0" % role).ljust(32, b"~") for role in range(len(STORE_PATHS))]
    names = [f"/filler{role}" for role in range(len(STORE_PATHS))]
    mark = b"airquill probe".ljust(32, b"~")
    first, last = STORE_BLOCKS[0], STORE_BLOCKS[-1]
    here = first
    while first <= here <= last:
        _write(fs, "/probe", mark * (layout.block_bytes // len(mark)))
        here = flash.buffer.find(mark) // layout.block_bytes
        fs.remove("/probe")
        flash.blank(here, layout.block_bytes)
    between = (first - here - 1) % layout.block_count
    if here > first:
        between -= 2  # the way round passes the superblock pair, which is in use
    _write(fs, "/filler", _ERASED * _chain_bytes(between, layout.block_bytes))
    for name, content in zip(names, marks, strict=True):
        _write(fs, name, content * (layout.block_bytes // len(content)))
    if between:
        fs.remove("/filler")
    for block in flash.written_blocks - {0, 1} - set(STORE_BLOCKS):
        flash.blank(block, layout.block_bytes)
    for name, path in zip(names, STORE_PATHS, strict=True):
        fs.makedirs(path.rpartition("/")[0], exist_ok=True)
        fs.rename(name, path)
    return marks


def _write(fs: LittleFS, path: str, content: bytes) -> None:
    if content:
        with fs.open(path, "wb") as file:
            file.write(content)


def _chain_bytes(blocks: int, block_bytes: int) -> int:
    """Longest file of that many blocks: block n > 0 starts with a 4-byte pointer for each power of two dividing n.

    Source: littlefs DESIGN.md, "CTZ skip-lists".
    """
    return blocks * block_bytes - 4 * sum((n & -n).bit_length() for n in range(1, blocks))


def _with_erased_store(flash: _Recorder, marks: list[bytes], layout: Layout) -> bytes:
    image = bytearray(flash.buffer)
    for block, mark in zip(STORE_BLOCKS, marks, strict=True):
        place = slice(block * layout.block_bytes, (block + 1) * layout.block_bytes)
        if image[place] != mark * (layout.block_bytes // len(mark)):
            raise AirquillError(
                f"The installed littlefs-python allocates in an unknown way: block {block} does not hold the store. "
                "Install the version that Airquill names."
            )
        image[place] = _ERASED * layout.block_bytes
    return bytes(image)


@contextmanager
def _mounted(image: bytes, layout: Layout) -> Iterator[tuple[LittleFS, _Recorder]]:
    if len(image) != layout.size:
        raise AirquillError(f"The file system has {len(image)} bytes where the firmware expects {layout.size}.")
    flash = _Recorder(image)
    fs = _filesystem(flash, layout, layout.block_bytes)
    try:
        fs.mount()
        yield fs, flash
        fs.unmount()
    except LittleFSError as error:
        raise AirquillError("The file system in the image is damaged or missing. Build the image again.") from error


def read_filesystem(image: bytes, layout: Layout) -> dict[str, bytes]:
    """All files of a file system image, the store's too: absolute path to content. Raises AirquillError on damage."""
    with _mounted(image, layout) as (fs, _):
        return _read_all(fs)


def used_blocks(image: bytes, layout: Layout) -> set[int]:
    """Blocks that hold folders or files, the store's too: those that are read when everything is read."""
    with _mounted(image, layout) as (fs, flash):
        _read_all(fs)
        return flash.read_blocks


def _read_all(fs: LittleFS) -> dict[str, bytes]:
    files = {}
    for folder, _, names in fs.walk("/"):
        for name in names:
            path = f"{folder.rstrip('/')}/{name}"
            with fs.open(path, "rb") as file:
                files[path] = file.read()
    return files
