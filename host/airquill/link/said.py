"""What a unit says of itself: the fields of its replies, read with care, since its firmware may be newer."""

from __future__ import annotations

from dataclasses import dataclass

from airquill.errors import AirquillError
from airquill.link import catalogue
from airquill.link.convert import from_wire
from airquill.link.entries import Action, Argument, Reading, Setting
from airquill.link.problems import NO_UNIT, OddReply

_TYPES = ("int", "dec1", "dec2", "flag", "text")
_WIDEST = 9999999  # what a number on the line may be


@dataclass(frozen=True)
class Greeting:
    """What a unit says about itself."""

    protocol: int
    firmware: str
    build: str
    registry: int
    registry_hash: str
    board: str
    chip: str
    boots: int
    cause: str
    capabilities: tuple[str, ...]
    addons: int = 0  # how many add-ons it has


class _Fields(dict[str, str]):
    """Fields of a reply by name; one that is missing is the unit's fault, not this program's."""

    def __missing__(self, name: str) -> str:
        raise OddReply("a request", " ".join(f"{key}={value}" for key, value in self.items()) or "nothing")


def fields_of(fields: list[str]) -> dict[str, str]:
    """`name=value` fields by name. Asking for one that is missing raises OddReply."""
    return _Fields(field.partition("=")[::2] for field in fields)


def greeting_of(said: dict[str, str]) -> Greeting:
    """The greeting in the reply to `hello`. Raises AirquillError when its protocol is newer than this program's."""
    caps = said.get("caps", "none")
    try:
        protocol, registry, boots = int(said["protocol"]), int(said["registry"]), int(said["boots"])
        addons = int(said.get("addons", "0"))
    except ValueError:
        raise OddReply("hello", " ".join(said.values())) from None
    if protocol > catalogue.PROTOCOL:
        raise AirquillError(
            f"The unit speaks protocol {protocol}, and this Airquill knows up to {catalogue.PROTOCOL}. "
            "Update Airquill on this PC.",
            NO_UNIT,
        )
    return Greeting(
        protocol,
        said.get("firmware", ""),
        said.get("build", ""),
        registry,
        said.get("hash", ""),
        said.get("board", ""),
        said.get("chip", ""),
        boots,
        said.get("cause", ""),
        () if caps == "none" else tuple(caps.split(",")),
        addons,
    )


def described_setting(said: dict[str, str], known: Setting | None) -> Setting:
    """A setting as the unit describes it; its help text is this program's, where it knows the path."""
    kind = said["type"]
    number = "dec2" if kind in ("dec1", "dec2") else "int"
    lowest, highest = from_wire(number, said["lowest"]), from_wire(number, said["highest"])
    return Setting(
        said["path"],
        int(said["id"]),
        kind,
        lowest,  # type: ignore[arg-type]
        highest,  # type: ignore[arg-type]
        str(from_wire("text", said["unit"])),
        _words(said["words"]),
        from_wire(kind, said["default"]),  # type: ignore[arg-type]
        said["live"] == "yes",
        said["keep"],
        int(said["since"]),
        known.help if known else _help(said),
    )


def described_reading(said: dict[str, str], known: Reading | None) -> Reading:
    """A reading as the unit describes it."""
    return Reading(
        said["path"],
        known.id if known else 0,
        said["type"],
        str(from_wire("text", said["unit"])),
        _words(said["words"]),
        "" if said["needs"] == "-" else said["needs"],
        known.help if known else _help(said),
    )


def described_action(said: dict[str, str]) -> Action:
    """An action of an add-on as the unit describes it; the ranges of its arguments are for the unit to check."""
    arguments = tuple(
        Argument(name, text, -_WIDEST, _WIDEST, "", (), False)
        if text in _TYPES
        else Argument(name, "word", 0, 0, "", _words(text), False)
        for name, text in said.items()
        if name not in ("name", "needs", "help")
    )
    return Action(said["name"], 0, arguments, "", _help(said))


def _help(said: dict[str, str]) -> str:
    return str(from_wire("text", said.get("help", '""')))


def _words(text: str) -> tuple[str, ...]:
    return () if text == "-" else tuple(text.split(","))
