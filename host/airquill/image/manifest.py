"""The file on the chip's disk that says what the others are: build hash, version and registry."""

from __future__ import annotations

import hashlib

from airquill.image.layout import STORE_PATHS
from airquill_protocol import tables

PATH = "/build.txt"
HASH_DIGITS = 8
"""The firmware reads this many bytes from the start of the file for its greeting."""


def build_hash(files: dict[str, bytes]) -> str:
    """First hex digits of a SHA-256 over all paths and contents, but for the manifest's and the store's."""
    digest = hashlib.sha256()
    for path in sorted(files):
        if path != PATH and path not in STORE_PATHS:
            digest.update(f"{path}\0{len(files[path])}\0".encode())
            digest.update(files[path])
    return digest.hexdigest()[:HASH_DIGITS]


def manifest(version: str, files: dict[str, bytes]) -> bytes:
    """Content of the manifest for a firmware of that version: the hash on the first line, then name=value lines."""
    return f"{build_hash(files)}\nfirmware={version}\nregistry={tables.REGISTRY_HASH}\n".encode()


def read_manifest(files: dict[str, bytes]) -> dict[str, str]:
    """`build`, `firmware` and `registry` as the manifest among `files` gives them, as far as it does."""
    first, *others = files.get(PATH, b"").decode(errors="replace").splitlines() or [""]
    named = dict(line.split("=", 1) for line in others if "=" in line)
    return ({"build": first} if first else {}) | named
