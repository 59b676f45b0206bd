"""Lists as programs and people export them: position files, bills of materials, stock. CSV of any common kind."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from airquill.errors import AirquillError
from airquill.planning.board import Board, Site, says_left_out

# Titles by what they mean, as layout programs write them, in small letters without spaces and signs; common practice.
TITLES = {
    "reference": ("ref", "refs", "reference", "references", "refdes", "designator", "designators", "bauteil", "repere"),
    "value": ("val", "value", "comment", "wert", "valeur", "designation"),
    "footprint": ("package", "footprint", "pattern", "gehause", "gehäuse", "boitier", "boîtier"),
    "x": ("posx", "x", "midx", "centerx", "centrex", "refx", "locationx"),
    "y": ("posy", "y", "midy", "centery", "centrey", "refy", "locationy"),
    "turn": ("rot", "rotation", "angle", "orientation", "drehung"),
    "side": ("side", "layer", "tb", "seite", "face"),
    "place": ("dnp", "donotplace", "donotpopulate", "dnf", "donotfit"),
    "count": ("qty", "quantity", "count", "stock", "instock", "anzahl", "menge", "quantite", "quantité", "bestand"),
}
UNITS = {"mm": 1.0, "mil": 0.0254, "mils": 0.0254, "thou": 0.0254, "in": 25.4, "inch": 25.4}
LARGEST_MM = 1000.0  # no board at a bench is larger; chosen
MOST_REFERENCES = 20000
_NUMBER = re.compile(r"^([+-]?\d*[.,]?\d+(?:e[+-]?\d+)?)\s*([a-z]*)$", re.I)
_RANGE = re.compile(r"^([A-Za-z_]+)(\d+)\s*(?:-|\.\.|to)\s*([A-Za-z_]*)(\d+)$")


@dataclass(frozen=True)
class Table:
    """A CSV file: its rows by title, and how it was read."""

    name: str
    titles: tuple[str, ...]
    rows: tuple[tuple[int, dict[str, str]], ...]  # line in the file, cells by title
    encoding: str
    delimiter: str
    unit: str  # what a comment line says, or empty

    def columns(self, wanted: Mapping[str, str], needed: Sequence[str]) -> dict[str, str]:
        """Title of each meaning: as `wanted`, else guessed. AirquillError when one of `needed` is not found."""
        found = {}
        for meaning, title in wanted.items():
            if meaning not in TITLES:
                raise AirquillError(f"There is no column {meaning}. There are {', '.join(TITLES)}.")
            if title not in self.titles:
                raise AirquillError(f"{self.name} has no column {title}. It has {', '.join(self.titles)}.")
            found[meaning] = title
        for meaning, names in TITLES.items():
            if meaning not in found:
                ranked = [title for name in names for title in self.titles if _bare(title) == name]
                if ranked:
                    found[meaning] = ranked[0]
        missing = [meaning for meaning in needed if meaning not in found]
        if missing:
            raise AirquillError(
                f"{self.name}: no column looks like {' or '.join(missing)}. It has {', '.join(self.titles)}; say which "
                f"by --column {missing[0]}=TITLE."
            )
        return found

    def said(self, columns: Mapping[str, str]) -> str:
        """How the file was read, as a sentence."""
        named = ", ".join(f"{meaning} = {title}" for meaning, title in columns.items())
        separator = {"\t": "tabs", ";": "semicolons", ",": "commas", "|": "bars"}.get(self.delimiter, "spaces")
        return f"{self.name} was read as {self.encoding} with {separator}: {named}."


def _bare(title: str) -> str:
    """A title without its unit, signs and case."""
    return re.sub(r"[\W_]", "", re.sub(r"[(\[].*?[)\]]", "", title)).casefold()


def read_table(path: Path) -> Table:
    """A CSV file, or a position file with columns of spaces. Raises AirquillError for one without titles and rows."""
    text, encoding = _decode(path)
    unit, lines = "", []
    for number, line in enumerate(text.splitlines(), 1):
        stated = re.match(r"#+\s*Unit\s*=\s*(\w+)", line)
        unit = stated[1].casefold() if stated else unit
        if line.startswith("# Ref"):  # KiCad's .pos has its titles in a comment
            line = line[1:].strip()
        if line.strip() and not line.startswith("#"):
            lines.append((number, line))
    if not lines:
        raise AirquillError(f"{path} is empty. Export it again, with titles in its first line.")
    delimiter = max(",;\t|", key=lines[0][1].count)
    if delimiter not in lines[0][1]:
        rows = [(number, line.split()) for number, line in lines]
        delimiter = " "
    else:
        try:
            # one parser over all lines, so that quoted cells may hold line ends
            reader = csv.reader([line + "\n" for _, line in lines], delimiter=delimiter, skipinitialspace=True)
            rows = [(lines[reader.line_num - 1][0], row) for row in reader if any(cell.strip() for cell in row)]
        except csv.Error as error:
            raise AirquillError(f"{path} is no CSV file: {error}.") from None
    titles = [title.strip() for title in rows[0][1]]
    if len(titles) < 2 or len(set(titles)) < len(titles):
        raise AirquillError(f"{path}, line {rows[0][0]}: these are no titles of columns: {', '.join(titles)[:80]}.")
    if len(rows) < 2:
        raise AirquillError(f"{path} has titles and no rows. Is it the export of this board?")
    return Table(str(path), tuple(titles), tuple(_cells(path, titles, rows[1:])), encoding, delimiter, unit)


def _cells(path: Path, titles: list[str], rows: list[tuple[int, list[str]]]) -> Iterator[tuple[int, dict[str, str]]]:
    for number, row in rows:
        if len(row) > len(titles):
            raise AirquillError(
                f"{path}, line {number} has {len(row)} cells under {len(titles)} titles. Put texts that hold the "
                "separator in quotes, or export with another one."
            )
        yield number, dict(zip(titles, (cell.strip() for cell in row), strict=False))


def _decode(path: Path) -> tuple[str, str]:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise AirquillError(f"{path} cannot be read: {error.strerror}.") from error
    guesses = ["utf-16"] if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ["utf-8-sig", "cp1252"]
    for encoding in guesses:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text, "UTF-8" if encoding == "utf-8-sig" else encoding.upper()
    raise AirquillError(f"{path} is no text in UTF-8, UTF-16 or Windows-1252. Export it again as UTF-8.")


def number(text: str, where: str) -> tuple[float, str]:
    """A number with a point or a comma for decimals, and the unit behind it. Raises AirquillError."""
    match = _NUMBER.match(text.strip())
    if match is None or (match[2] and match[2].casefold() not in UNITS):
        raise AirquillError(
            f"{where}: {text or 'an empty cell'} is no number. Correct the list or name another column."
        )
    return float(match[1].replace(",", ".")), match[2].casefold()


def references(text: str, where: str) -> list[str]:
    """Single references of a cell such as `R1, R3-R5`."""
    found: list[str] = []
    for part in filter(None, re.split(r"[,;\s]+", re.sub(r"\s*(?:\.\.|-)\s*", "-", text))):
        span = _RANGE.match(part)
        if span is None or span[3] not in ("", span[1]):
            found.append(part)
            continue
        first, last = int(span[2]), int(span[4])
        if not first <= last <= first + MOST_REFERENCES:
            raise AirquillError(f"{where}: {part} runs from {first} to {last}. Correct the range.")
        found += [f"{span[1]}{index}" for index in range(first, last + 1)]
    return found


def read_list(path: Path, wanted: Mapping[str, str] | None = None, unit: str | None = None) -> Board:
    """The board of a position file or a bill of materials. `unit` of positions: mm, mil or in; else what the file says.

    Raises AirquillError for a file that is no such list.
    """
    table = read_table(path)
    columns = table.columns(wanted or {}, ("reference", "value", "footprint"))
    placed = "x" in columns and "y" in columns
    notes = [table.said(columns)]
    units = set()
    sites: dict[str, Site] = {}
    for line, cells in table.rows:
        where = f"{path}, line {line}"
        site, said = _site(cells, columns, where) if placed else (_unplaced(cells, columns), "")
        units.add(said)
        for reference in references(cells.get(columns["reference"], ""), where):
            if reference in sites:
                raise AirquillError(f"{where}: {reference} was there before. Each part is listed once.")
            sites[reference] = replace(site, reference=reference)
    if not sites:
        raise AirquillError(f"{path} lists no part: its column {columns['reference']} is empty.")
    found = tuple(sites.values())
    if placed:
        scale, note = _scale(units - {""}, table, columns, unit)
        notes.append(note)
        found = tuple(replace(one, x_mm=(one.x_mm or 0) * scale, y_mm=-(one.y_mm or 0) * scale) for one in found)
        _check_extent(found, path)
    else:
        notes.append(f"{path} has no positions; the sheets list the parts and draw none.")
    return Board(path.stem, found, (), tuple(notes))


def _unplaced(cells: Mapping[str, str], columns: Mapping[str, str]) -> Site:
    def cell(meaning: str) -> str:
        return cells.get(columns.get(meaning, ""), "")

    marked = cell("place").casefold() not in ("", "0", "no", "false", "n")
    side = "bottom" if cell("side").casefold()[:1] in ("b", "u") else "top"
    left_out = marked or says_left_out(cell("value"))
    return Site("", cell("value"), cell("footprint"), side=side, left_out=left_out)


def _site(cells: Mapping[str, str], columns: Mapping[str, str], where: str) -> tuple[Site, str]:
    x, unit = number(cells.get(columns["x"], ""), where)
    y, other = number(cells.get(columns["y"], ""), where)
    if unit != other:
        raise AirquillError(f"{where}: X is in {unit or 'no unit'} and Y in {other or 'no unit'}.")
    turn = number(cells.get(columns["turn"], ""), where)[0] if "turn" in columns else 0.0
    return replace(_unplaced(cells, columns), x_mm=x, y_mm=y, turn_deg=turn), unit


def _scale(cells: set[str], table: Table, columns: Mapping[str, str], wanted: str | None) -> tuple[float, str]:
    """Millimetres of one unit of the list: as wanted, or as cells, title or comment state it."""
    if wanted is not None:
        if wanted not in UNITS:
            raise AirquillError(f"{wanted} is no unit of length. There are {', '.join(UNITS)}.")
        return UNITS[wanted], f"Positions are taken in {wanted}, as you said."
    if len(cells) > 1:
        raise AirquillError(f"{table.name} mixes units: {', '.join(sorted(cells))}. Export it in one.")
    titled = re.search(r"[(\[]\s*(\w+)\s*[)\]]", columns["x"])
    for said in (*cells, titled[1].casefold() if titled else "", table.unit):
        if said in UNITS:
            return UNITS[said], f"Positions are in {said}, as {table.name} says."
    return 1.0, f"{table.name} does not say its unit; positions are taken in mm. Say --unit mil if that is wrong."


def _check_extent(sites: Sequence[Site], path: Path) -> None:
    for axis in ([site.x_mm or 0.0 for site in sites], [site.y_mm or 0.0 for site in sites]):
        if max(axis) - min(axis) > LARGEST_MM:
            raise AirquillError(
                f"{path}: parts would be {max(axis) - min(axis):.0f} mm apart. In mils? Then say --unit mil."
            )


def join(board: Board, bom: Board) -> Board:
    """A board with values, packages and do-not-place of a bill of materials; the notes say which parts only one has."""
    listed = {site.reference: site for site in bom.sites}
    sites = []
    for site in board.sites:
        entry = listed.pop(site.reference, None)
        if entry is None:
            sites.append(site)
            continue
        sites.append(
            replace(
                site,
                value=entry.value or site.value,
                footprint=site.footprint or entry.footprint,
                left_out=site.left_out or entry.left_out,
            )
        )
    unlisted = [site.reference for site in board.sites if site.kind == "smd" and site.reference not in _names(bom)]
    notes = [*board.notes, *bom.notes]
    if unlisted:
        notes.append(f"On the board and not in {bom.name}: {', '.join(unlisted)}.")
    if listed:
        notes.append(f"In {bom.name} and not on the board: {', '.join(listed)}.")
    return replace(board, sites=tuple(sites), notes=tuple(notes))


def _names(board: Board) -> set[str]:
    return {site.reference for site in board.sites}


def read_stock(path: Path, wanted: Mapping[str, str] | None = None) -> tuple[dict[tuple[str, str], int], str]:
    """Pieces in stock by value and footprint (as written in the list), and how the file was read."""
    table = read_table(path)
    columns = table.columns(wanted or {}, ("value", "footprint", "count"))
    stock: dict[tuple[str, str], int] = {}
    for line, cells in table.rows:
        where = f"{path}, line {line}"
        pieces, unit = number(cells.get(columns["count"], ""), where)
        if unit or pieces < 0 or pieces != int(pieces):
            raise AirquillError(f"{where}: {cells.get(columns['count'])} is no count of pieces.")
        key = (cells.get(columns["value"], ""), cells.get(columns["footprint"], ""))
        stock[key] = stock.get(key, 0) + int(pieces)
    return stock, table.said(columns)
