"""The one file that says what the others on the chip are: version, hash and registry."""

from __future__ import annotations

import hashlib
import json

from airquill.image.layout import STORE_PATHS
from airquill_protocol import tables

PATH = "/airquill.json"


def build_hash(files: dict[str, bytes]) -> str:
    """First 12 hex digits of a SHA-256 over all paths and contents, but for the manifest's and the store's."""
    digest = hashlib.sha256()
    for path in sorted(files):
        if path != PATH and path not in STORE_PATHS:
            digest.update(f"{path}\0{len(files[path])}\0".encode())
            digest.update(files[path])
    return digest.hexdigest()[:12]


def manifest(version: str, files: dict[str, bytes]) -> bytes:
    """Content of the manifest for a firmware of that version."""
    fields = {"firmware": version, "build": build_hash(files), "registry": tables.REGISTRY_HASH}
    return json.dumps(fields).encode() + b"\n"


def read_manifest(files: dict[str, bytes]) -> dict[str, str] | None:
    """The manifest among `files`, or None when there is none or it is damaged."""
    try:
        fields = json.loads(files[PATH])
    except (KeyError, ValueError):
        return None
    return fields if isinstance(fields, dict) else None
