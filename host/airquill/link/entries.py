"""What an entry of the registry is, for programs on the host. The entries themselves are generated: catalogue.py."""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple

ADDON = "x."
"""What the paths of add-ons begin with."""


class Setting(NamedTuple):
    path: str
    id: int
    type: str  # int, dec1, dec2, word, flag, text, stroke
    lowest: int | Decimal
    highest: int | Decimal  # of text and stroke: bytes
    unit: str
    words: tuple[str, ...]
    default: int | Decimal | str | bool | bytes
    live: bool  # may change while vacuum is on
    keep: str  # "profile" travels in a profile, "unit" stays with the unit
    since: int  # registry version it came with
    help: str


class Reading(NamedTuple):
    path: str
    id: int
    type: str
    unit: str
    words: tuple[str, ...]
    needs: str  # capability, or empty
    help: str


class Argument(NamedTuple):
    name: str
    type: str
    lowest: int | Decimal
    highest: int | Decimal
    unit: str
    words: tuple[str, ...]
    optional: bool


class Action(NamedTuple):
    name: str
    id: int
    arguments: tuple[Argument, ...]
    needs: str
    help: str


class Event(NamedTuple):
    topic: str
    id: int
    fields: tuple[tuple[str, str], ...]  # name, type
    help: str


class Entry(NamedTuple):
    """A fault, notice or error."""

    number: int
    word: str
    kind: str  # fault, notice, error
    help: str
