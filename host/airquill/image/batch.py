"""A batch of units: which serials there are to give, and which units have got theirs."""

from __future__ import annotations

import csv
import json
from dataclasses import asdict, dataclass
from pathlib import Path

from airquill.errors import AirquillError
from airquill.link.catalogue import SETTINGS
from airquill.link.lookup import find_setting
from airquill.report.files import write_whole

COLUMNS = ("serial", "name")


@dataclass(frozen=True)
class Row:
    """One unit to be made."""

    serial: str
    name: str


@dataclass(frozen=True)
class Done:
    """One unit that went through: `verdict` is that of its acceptance."""

    serial: str
    name: str
    chip: str
    firmware: str
    build: str
    verdict: str


def read_batch(path: Path) -> list[Row]:
    """Rows of a CSV file with the columns serial and, if wanted, name. Raises AirquillError naming the line."""
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file)
            titles = reader.fieldnames or []
            unknown = [title for title in titles if title not in COLUMNS]
            if "serial" not in titles or unknown:
                raise AirquillError(
                    f"{path}: the first line must name the columns serial and, if wanted, name; "
                    f"it says {', '.join(titles) or 'nothing'}."
                )
            rows = [(reader.line_num, line) for line in reader]
    except OSError as error:
        raise AirquillError(f"{path} cannot be read: {error.strerror or error}.") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise AirquillError(f"{path} is no CSV file in UTF-8: {error}.") from error
    return _checked(
        path, [(number, Row((line["serial"] or "").strip(), (line.get("name") or "").strip())) for number, line in rows]
    )


def _checked(path: Path, rows: list[tuple[int, Row]]) -> list[Row]:
    longest = {name: int(find_setting(f"unit.{name}", SETTINGS).highest) for name in COLUMNS}
    seen: dict[str, int] = {}
    for number, row in rows:
        if not row.serial or not row.serial.isprintable():
            raise AirquillError(f"{path}, line {number}: there is no serial that could be printed. Write one.")
        for name, text in (("serial", row.serial), ("name", row.name)):
            if len(text.encode()) > longest[name]:
                raise AirquillError(f"{path}, line {number}: the {name} {text} is longer than {longest[name]} bytes.")
        if row.serial in seen:
            raise AirquillError(
                f"{path}, line {number}: {row.serial} is in line {seen[row.serial]} already. Give each unit its own."
            )
        seen[row.serial] = number
    if not rows:
        raise AirquillError(f"{path} names no unit. Write one serial a line.")
    return [row for _, row in rows]


class Progress:
    """Units that went through, kept in a file that survives everything that may end the command."""

    def __init__(self, path: Path) -> None:
        """Raises AirquillError when the file is there but damaged."""
        self.path = path
        self.done: list[Done] = []
        if path.exists():
            try:
                self.done = [Done(**entry) for entry in json.loads(path.read_text(encoding="utf-8"))]
            except (OSError, ValueError, TypeError) as error:
                raise AirquillError(f"{path} is damaged: {error}. Move it away to begin the batch anew.") from error

    def left(self, rows: list[Row]) -> list[Row]:
        """Rows whose unit has not been accepted."""
        accepted = {one.serial for one in self.done if one.verdict == "accepted"}
        return [row for row in rows if row.serial not in accepted]

    def serial_of(self, chip: str) -> str | None:
        """The serial that the unit with this chip got."""
        return next((one.serial for one in self.done if one.chip == chip), None)

    def add(self, one: Done) -> None:
        """Note a unit, in place of an earlier try of the same serial."""
        self.done = [other for other in self.done if other.serial != one.serial] + [one]
        write_whole(self.path, json.dumps([asdict(entry) for entry in self.done], indent=2) + "\n")
