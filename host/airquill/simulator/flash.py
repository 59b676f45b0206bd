"""NOR flash of a virtual unit: the part of the chip's flash that holds the file system.

Programming only clears bits (AND), 256 bytes at a time; erasing sets the bits of a whole block. A power cut at the n-th
write leaves that write half done. A block device for `vfs.VfsLfs2` and the store's raw blocks are the same bytes.
"""

from airquill.pneumatics.sensor import Noise

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

BLOCKS = 352
BLOCK_BYTES = 4096
PAGE_BYTES = 256

# From memory, of flash data sheets: a page takes 0.4 ms typically and 3 ms at most, a block 45 ms and 400 ms.
PROGRAM_US = 700
ERASE_US = 45000
ERASE_STALL_US = 400000


class PowerCut(BaseException):
    """The supply went away in the middle of a write. Firmware cannot catch a power cut, so it is no Exception."""


class MemoryCells:
    """Flash content in memory; blocks that were never touched cost nothing."""

    def __init__(self) -> None:
        self._blocks: "dict[int, bytearray]" = {}

    def read(self, block: int, offset: int, buf: "bytearray | memoryview") -> None:
        """Fill `buf` from a block on."""
        data = self._blocks.get(block)
        for i in range(len(buf)):
            buf[i] = 0xFF if data is None else data[offset + i]

    def write(self, block: int, offset: int, data: "bytes | bytearray") -> None:
        """Replace bytes of a block, whatever stands there."""
        if block not in self._blocks:
            self._blocks[block] = bytearray(b"\xff" * BLOCK_BYTES)
        self._blocks[block][offset : offset + len(data)] = data


class FileCells:
    """Flash content in a file of the whole file system's size."""

    def __init__(self, path: str) -> None:
        """OSError when the file is not there or may not be written."""
        self._file = open(path, "r+b", 0)

    def read(self, block: int, offset: int, buf: "bytearray | memoryview") -> None:
        """Fill `buf` from a block on."""
        self._file.seek(block * BLOCK_BYTES + offset)
        self._file.readinto(buf)

    def write(self, block: int, offset: int, data: "bytes | bytearray") -> None:
        """Replace bytes of a block, whatever stands there."""
        self._file.seek(block * BLOCK_BYTES + offset)
        self._file.write(data)

    def close(self) -> None:
        """Close the file."""
        self._file.close()


class Flash:
    """The flash: `cells` keep the bytes, `noise` draws what is left to chance, `busy(us)` lets a write's time pass.

    Public: `cut_in`, writes left until the supply goes (0: never), `worn` and `stall`, strengths 0 to 1 of two faults,
    `writes` and `erases`, counted since it was made.
    """

    def __init__(self, cells: "MemoryCells | FileCells", noise: Noise, busy: "Callable[[int], None]") -> None:
        self.cells = cells
        self.cut_in = 0
        self.worn = 0.0
        self.stall = 0.0
        self.writes = 0
        self.erases: "dict[int, int]" = {}
        self._uniform = noise.uniform
        self._busy = busy
        self._page = bytearray(PAGE_BYTES)

    def _cut_now(self) -> bool:
        self.writes += 1
        if self.cut_in:
            self.cut_in -= 1
            return self.cut_in == 0
        return False

    def read(self, block: int, offset: int, buf: "bytearray | memoryview") -> None:
        """Fill `buf`, which may reach over several blocks."""
        block += offset // BLOCK_BYTES
        self.cells.read(block, offset % BLOCK_BYTES, buf)

    def program(self, block: int, offset: int, buf: "bytes | bytearray | memoryview") -> None:
        """Clear the bits that are 0 in `buf`. ValueError unless start and length are whole pages."""
        if offset % PAGE_BYTES or len(buf) % PAGE_BYTES:
            raise ValueError("flash is programmed in whole pages of 256 bytes")
        page = self._page
        for start in range(0, len(buf), PAGE_BYTES):
            at = offset + start
            where, inside = block + at // BLOCK_BYTES, at % BLOCK_BYTES
            cut = self._cut_now()
            count = int(self._uniform() * PAGE_BYTES) if cut else PAGE_BYTES
            self.cells.read(where, inside, page)
            for i in range(count):
                page[i] &= buf[start + i]
            if cut:
                # The byte being programmed has only some of its bits.
                page[count] &= buf[start + count] | int(self._uniform() * 256)
            elif self.worn and self._uniform() < self.worn:
                i = int(self._uniform() * PAGE_BYTES)
                page[i] |= 1 << int(self._uniform() * 8)
            self.cells.write(where, inside, page)
            if cut:
                raise PowerCut
            self._busy(PROGRAM_US)

    def erase(self, block: int) -> None:
        """Set all bits of a block."""
        cut = self._cut_now()
        count = int(self._uniform() * BLOCK_BYTES) if cut else BLOCK_BYTES
        self.cells.write(block, 0, b"\xff" * count)
        if cut:
            raise PowerCut
        self.erases[block] = self.erases.get(block, 0) + 1
        us = ERASE_US
        if self.stall and self._uniform() < 0.25 + self.stall:
            us += int(self._uniform() * self.stall * (ERASE_STALL_US - ERASE_US))
        self._busy(us)

    # What MicroPython's file systems ask of a block device: its documentation, vfs.AbstractBlockDev.

    def readblocks(self, block: int, buf: "bytearray", offset: int = 0) -> None:
        """Fill `buf`."""
        self.read(block, offset, buf)

    def writeblocks(self, block: int, buf: "bytes | bytearray", offset: "int | None" = None) -> None:
        """Program `buf`; without an offset its blocks are erased first."""
        if offset is None:
            for i in range(len(buf) // BLOCK_BYTES):
                self.erase(block + i)
            offset = 0
        self.program(block, offset, buf)

    def ioctl(self, op: int, arg: int) -> "int | None":
        """Count (4), size (5), erase (6)."""
        if op == 4:
            return BLOCKS
        if op == 5:
            return BLOCK_BYTES
        if op == 6:
            self.erase(arg)
            return 0
        return None
