"""Another version of the firmware over the serial line: only what differs, into the copy that does not run, on trial.

The copy that runs is never touched, so an update that breaks off anywhere leaves the unit as it was; the next one goes
on from there, because it looks what has arrived already.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from airquill.errors import AirquillError
from airquill.image.build import ADDON_CODE, ADDON_FOLDER, firmware_files
from airquill.image.manifest import PATH as MANIFEST_PATH
from airquill.image.manifest import build_hash, file_hash, read_manifest, setting_ids
from airquill.image.sources import STARTERS
from airquill.link.client import Client
from airquill.link.convert import Value
from airquill.link.problems import NO_UNIT, LinkLost, Refused
from airquill.link.said import Greeting, fields_of

BLOCK_BYTES = 144
"""Of a file in one request: in base64 they fit a line."""

REQUEST_S = 20.0
"""For a request that writes a file: flash may take its time."""

TRIAL_S = 45.0
"""From the start of a trial until the unit greets: as the new version, or as the old one again."""

OTHER = {"a": "b", "b": "a"}

NO_FILES = (
    "This unit's firmware cannot be updated over the line. Build an image with `airquill image build` and put it on "
    "with `airquill flash`."
)


@dataclass(frozen=True)
class Plan:
    """What an update does to the copy that does not run. Names are paths in that copy, without a leading slash."""

    before: str
    """Build that runs."""
    build: str
    """Build that is to run."""
    firmware: str
    send: dict[str, bytes]
    copy: tuple[str, ...] = ()
    remove: tuple[str, ...] = ()
    setting_ids: Sequence[int] = ()
    on_trial: bool = False
    """What runs has been tried but not kept: an update broke off right there."""

    @property
    def send_bytes(self) -> int:
        return sum(len(content) for content in self.send.values())


def make_plan(unit: Client, tree: Path | None = None) -> Plan:
    """What has to be done so that `unit` runs the firmware of a source tree, or the installed one.

    Raises AirquillError when the unit cannot be updated over the line, or the sources do not compile.
    """
    here, on_trial = running_slot(unit)
    with ThreadPoolExecutor(max_workers=1) as beside:  # the unit takes its time to hash, and so does the compiler
        compiled = beside.submit(firmware_files, tree=tree, addon_code=True)
        root, runs, there = (listed(unit, which) for which in ("root", here, OTHER[here]))
    files = compiled.result()
    for name in STARTERS:
        if root.get(name) != file_hash(files[f"/{name}"]):
            raise AirquillError(
                f"This version comes with another {name}, which only an image can change. "
                "Build one with `airquill image build` and put it on with `airquill flash`."
            )
    wanted = {path[1:]: content for path, content in files.items() if _travels(path)}
    # Add-ons are the unit's own: they move along.
    addons = {name: known for name, known in runs.items() if f"/{name}".startswith(ADDON_FOLDER + "/")}
    if not addons:
        wanted.pop(ADDON_CODE[1:], None)
    hashes = {name: file_hash(content) for name, content in wanted.items()} | addons
    manifest = _manifest(files[MANIFEST_PATH], hashes | root)
    wanted[MANIFEST_PATH[1:]] = manifest
    hashes[MANIFEST_PATH[1:]] = file_hash(manifest)
    missing = [name for name, known in hashes.items() if there.get(name) != known]
    copied = tuple(name for name in missing if runs.get(name) == hashes[name])
    said = read_manifest({MANIFEST_PATH: manifest})
    return Plan(
        unit.greeting.build,
        said["build"],
        said["firmware"],
        # The manifest last: without it the copy is nothing that could be tried.
        {
            name: wanted[name]
            for name in sorted(missing, key=lambda name: (name == MANIFEST_PATH[1:], name))
            if name not in copied
        },
        copied,
        tuple(name for name in there if name not in hashes),
        setting_ids(said),
        on_trial,
    )


def running_slot(unit: Client) -> tuple[str, bool]:
    """Letter of the copy that runs, and whether it is on trial. Raises AirquillError for a firmware that knows no
    copies."""
    try:
        said = fields_of(unit.request("files", "slot"))
        return said["slot"], said["trial"] == "on"
    except Refused as error:
        if error.word in ("unknown_verb", "not_there"):
            raise AirquillError(NO_FILES, 1) from error
        raise


def _travels(path: str) -> bool:
    return path.count("/") > 1 and not path.startswith(ADDON_FOLDER + "/")


def _manifest(content: bytes, hashes: Mapping[str, str]) -> bytes:
    """The built manifest with the build hash that these files have on this unit."""
    return build_hash({f"/{name}": known for name, known in hashes.items()}).encode() + content[content.index(b"\n") :]


def listed(unit: Client, which: str) -> dict[str, str]:
    """Files and their hashes, as the unit computes them now."""
    out: dict[str, str] = {}
    at = "0"
    while True:
        said = fields_of(unit.request("files", "list", which, at, deadline_s=REQUEST_S))
        at = said.pop("next")
        out |= said
        if at == "0":
            return out


def carry_out(unit: Client, plan: Plan, done: Callable[[int], None] = lambda _bytes: None) -> None:
    """Write the plan's files; `done(bytes)` is called as they are sent.

    Raises AirquillError when the unit refuses, or the link breaks: the unit then runs what it ran before, and the same
    update may be done again.
    """
    for name in plan.remove:
        unit.request("files", "remove", name, deadline_s=REQUEST_S)
    for name in plan.copy:
        unit.request("files", "copy", name, deadline_s=REQUEST_S)
    for name, content in plan.send.items():
        unit.request("files", "open", name, deadline_s=REQUEST_S)
        for start in range(0, len(content), BLOCK_BYTES):
            piece = content[start : start + BLOCK_BYTES]
            unit.request("files", "block", str(start), base64.b64encode(piece).decode(), deadline_s=REQUEST_S)
            done(len(piece))
        unit.request("files", "close", hashlib.sha256(content).hexdigest(), deadline_s=REQUEST_S)


def try_out(unit: Client, plan: Plan) -> Greeting:
    """Restart into the new version and keep it once it has greeted; returns its greeting.

    Raises AirquillError (exit code 1) when the unit went back to the version before, because the new one did not greet.
    """
    unit.request("files", "try", plan.build, deadline_s=REQUEST_S)
    try:
        said = unit.wait_for_restart(TRIAL_S)
    except LinkLost as error:
        raise AirquillError(
            "The unit did not come back from its trial start. Unplug it and plug it in again: it then runs the version "
            "before. Then run `airquill update` again.",
            NO_UNIT,
        ) from error
    if said.build != plan.build:
        raise AirquillError(
            f"The new version {plan.build} did not greet in its trial start; the unit runs {said.build} again. "
            "Nothing else has changed. Mend the new version, then update again.",
            1,
        )
    keep(unit)
    return said


def keep(unit: Client) -> None:
    """What runs is the unit's version from now on, no longer on trial."""
    unit.request("files", "keep", deadline_s=REQUEST_S)


def dropped(unit: Client, known: Iterable[int]) -> dict[str, Value]:
    """Settings of the unit, other than the factory's, that a firmware with these ids does not know.

    They stay in the unit's saved record until it is written anew, but do not work.
    """
    ids = frozenset(known)
    if not ids or not unit.settings():
        return {}
    values = unit.all_settings()
    return {
        entry.path: values[entry.path]
        for entry in unit.settings()
        if entry.id not in ids and not entry.path.startswith("x.") and values[entry.path] != entry.default
    }
