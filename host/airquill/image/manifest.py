"""The file on the chip's disk that says what the others are: build hash, version and registry."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping

from airquill.image.layout import STORE_PATHS

PATH = "/build.txt"
HASH_DIGITS = 8
"""The firmware reads this many bytes from the start of the file for its greeting."""


FILE_HASH_DIGITS = 16
"""Of a file's SHA-256, as a unit lists it too."""


def file_hash(content: bytes) -> str:
    """First hex digits of a file's SHA-256."""
    return hashlib.sha256(content).hexdigest()[:FILE_HASH_DIGITS]


def build_hash(hashes: Mapping[str, str]) -> str:
    """First hex digits of a SHA-256 over all paths and their files' hashes, but for the manifest's and the store's."""
    lines = [f"{path} {hashes[path]}\n" for path in sorted(hashes) if path != PATH and path not in STORE_PATHS]
    return hashlib.sha256("".join(lines).encode()).hexdigest()[:HASH_DIGITS]


def manifest(version: str, registry_hash: str, setting_ids: Iterable[int], hashes: Mapping[str, str]) -> bytes:
    """Content of the manifest: the build hash on the first line, then name=value lines.

    `setting_ids` are the ids of the registry's rows, by which another program can tell what this firmware knows.
    """
    ids = ",".join(str(identity) for identity in sorted(setting_ids))
    return f"{build_hash(hashes)}\nfirmware={version}\nregistry={registry_hash}\nsettings={ids}\n".encode()


def setting_ids(said: Mapping[str, str]) -> list[int]:
    """Ids of the settings that a firmware knows, as its manifest says; empty where it does not say."""
    return [int(text) for text in said.get("settings", "").split(",") if text.isdigit()]


def read_manifest(files: dict[str, bytes]) -> dict[str, str]:
    """`build`, `firmware` and `registry` as the manifest among `files` gives them, as far as it does."""
    first, *others = files.get(PATH, b"").decode(errors="replace").splitlines() or [""]
    named = dict(line.split("=", 1) for line in others if "=" in line)
    return ({"build": first} if first else {}) | named
