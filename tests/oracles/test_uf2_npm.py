"""UF2 blocks against another implementation, in both directions. Oracle: uf2 2.0.0 (npm), run by Node.js."""

import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from airquill.image.build import build
from airquill.image.uf2 import BLOCK_BYTES, parse_uf2
from conftest import require

READ = """
const uf2 = require("uf2"), fs = require("fs"), data = new Uint8Array(fs.readFileSync(process.argv[1])), out = [];
for (let at = 0; at < data.length; at += 512) {
  const b = uf2.decodeBlock(data.slice(at, at + 512));
  const head = [b.flags, b.flashAddress, b.blockNumber, b.totalBlocks, b.boardFamily];
  out.push([...head, Buffer.from(b.payload).toString("hex")]);
}
console.log(JSON.stringify(out));
"""
WRITE = """
const uf2 = require("uf2"), fs = require("fs");
const parts = JSON.parse(fs.readFileSync(process.argv[1])).map((b) => uf2.encodeBlock({ flags: b[0], flashAddress: b[1],
  blockNumber: b[2], totalBlocks: b[3], boardFamily: b[4], payload: new Uint8Array(Buffer.from(b[5], "hex")) }));
fs.writeFileSync(process.argv[2], Buffer.concat(parts));
"""
FAMILIES = 'const uf2 = require("uf2"); console.log(JSON.stringify([...uf2.familyMap]));'


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., str]:
    """Runs a script where it can require() the package."""
    require(shutil.which("node") and shutil.which("npm"), "needs Node.js: run apt-get install nodejs npm")
    folder = tmp_path_factory.mktemp("node")
    install = ["npm", "install", "--silent", "--no-audit", "--no-fund", "--prefix", str(folder), "uf2@2.0.0"]
    done = subprocess.run(install, capture_output=True, text=True, check=False, timeout=90)
    require(done.returncode == 0, "needs npm's uf2 2.0.0 from its registry, which npm could not reach")

    def run(script: str, *arguments: Path) -> str:
        return subprocess.run(
            ["node", "-e", script, *map(str, arguments)], cwd=folder, capture_output=True, text=True, check=True
        ).stdout

    return run


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory, stock_uf2: Path) -> Path:
    out = tmp_path_factory.mktemp("image") / "heather.uf2"
    build(stock_uf2, out)
    return out


def test_the_other_reads_every_block_of_an_image(node: Callable[..., str], image: Path) -> None:
    ours = parse_uf2(image.read_bytes(), "ours")
    blocks: list[Any] = json.loads(node(READ, image))
    assert len(blocks) == image.stat().st_size // BLOCK_BYTES == len(ours.pages)
    assert {address: bytes.fromhex(payload) for _, address, _, _, _, payload in blocks} == ours.pages
    assert [block[2] for block in blocks] == list(range(len(blocks)))
    assert {(block[0], block[3], block[4]) for block in blocks} == {(0x2000, len(blocks), 0xE48BFF56)}


def test_what_the_other_writes_is_the_same_file(node: Callable[..., str], image: Path, tmp_path: Path) -> None:
    (tmp_path / "blocks.json").write_text(node(READ, image))
    node(WRITE, tmp_path / "blocks.json", tmp_path / "theirs.uf2")
    assert (tmp_path / "theirs.uf2").read_bytes() == image.read_bytes()


def test_the_family_is_the_one_that_the_other_knows(node: Callable[..., str]) -> None:
    assert "RP2040" in dict(json.loads(node(FAMILIES)))[0xE48BFF56]
