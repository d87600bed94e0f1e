"""Reads sheets as people keep them, CSV or XLSX: lines with the headings that their owner likes.

Titles may stand above the headings, headings may take two lines, cells may be merged, a workbook may hold several
sheets, a column may lack its heading: nothing of it is dropped.
"""

import csv
import io
import re
import zipfile
from calendar import month_name
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

from pipeline.errors import DataError

MOST_ROWS = 200_000
LARGEST_BYTES = 400_000_000  # of an XLSX file unpacked
_MERGES_BYTES = 60_000_000  # larger workbooks are read line by line, where merged cells cannot be told
_HEADINGS_WITHIN = 12
Lines = list[tuple[int, list[str]]]
InTwo = dict[str, tuple[str, str]]
"""Upper and lower line of headings that take two, by the heading that they make together."""
Recognised = Callable[[Sequence[str], InTwo], int]


@dataclass(frozen=True)
class SheetRow:
    """One line: its number as a spreadsheet counts, and its cells as text by heading (empty cells left out).

    ``beyond``: cells behind the last heading, where other lines have none: this line is shifted.
    """

    number: int
    cells: dict[str, str]
    beyond: tuple[str, ...] = ()


@dataclass(frozen=True)
class Sheet:
    """A sheet as text.

    ``above``: rows above the headings, with their numbers.
    """

    name: str
    headings: tuple[str, ...]
    rows: tuple[SheetRow, ...]
    above: tuple[tuple[int, str], ...] = ()
    in_two: InTwo = field(default_factory=dict)


def read_sheets(path: Path, *, recognised: Recognised) -> list[Sheet]:
    """All sheets that are not empty of an XLSX file, or the one of a CSV file with commas, semicolons or tabs.

    Parameters
    ----------
    recognised : how many different things the cells of a line, or of two joined, name if they were the headings.

    Raises
    ------
    DataError
        If the file is not there, is of another kind, is damaged, or has no headings or a heading twice.
    """
    if not path.is_file():
        raise DataError(f"{path.name}: there is no such sheet", "name a CSV or XLSX file")
    suffix = path.suffix.casefold()
    if suffix in (".xlsx", ".xlsm"):
        books = _xlsx_lines(path)
    elif suffix in (".csv", ".tsv", ".txt"):
        books = {"": _csv_lines(path)}
    else:
        raise DataError(
            f"{path.name}: {suffix or 'no ending'} is not a sheet that can be read", "save it as XLSX or CSV"
        )
    found = []
    for title, lines in books.items():
        filled = [(number, cells) for number, cells in _tidied(lines) if any(cells)]
        if filled:
            name = f"{path.name}, sheet {title}" if len(books) > 1 else path.name
            found.append(_sheet(name, filled, recognised))
    if not found:
        raise DataError(f"{path.name}: is empty", "a row must hold headings such as file, player, year, work")
    return found


def _tidied(lines: Iterable[tuple[int, list[str]]]) -> Lines:
    return [(number, [" ".join(cell.split()) for cell in cells]) for number, cells in lines]


def _sheet(name: str, lines: Lines, recognised: Recognised) -> Sheet:
    first, deep, headings, in_two = _find_headings(lines, recognised)
    number = lines[first][0]
    twice = sorted({h for h in headings if h and headings.count(h) > 1})
    if twice:
        raise DataError(f"{name}, row {number}: heading {twice[0]!r} stands twice", "rename one of the two")
    body = lines[first + deep :]
    if len(body) > MOST_ROWS:
        raise DataError(f"{name}: has more than {MOST_ROWS:,} rows", "add it in parts")
    room = max(len(cells) for _, cells in lines[first : first + deep])
    beyond = [tuple(cell for cell in cells[room:] if cell) for _, cells in body]
    if all(beyond):  # no slip of a separator, but columns without a heading
        room, beyond = max((len(cells) for _, cells in body), default=0), [()] * len(body)
    headings += [""] * (room - len(headings))
    for place in range(len(headings)):
        if not headings[place] and any(place < len(cells) and cells[place] for _, cells in body):
            headings[place] = f"column {_letters(place)}"
    rows = [
        SheetRow(number, {h: c for h, c in zip(headings, cells, strict=False) if h and c}, more)
        for (number, cells), more in zip(body, beyond, strict=True)
    ]
    above = tuple((number, ", ".join(dict.fromkeys(c for c in cells if c))) for number, cells in lines[:first])
    return Sheet(name, tuple(h for h in headings if h), tuple(row for row in rows if row.cells), above, in_two)


def _find_headings(lines: Lines, recognised: Recognised) -> tuple[int, int, list[str], InTwo]:
    """Where the headings stand, how many lines they take, and they: what names most, the first line on a tie."""
    best, chosen = recognised(lines[0][1], {}), (0, 1, lines[0][1], InTwo())
    for place, (number, cells) in enumerate(lines[:_HEADINGS_WITHIN]):
        alone = recognised(cells, {})
        if alone > best:
            best, chosen = alone, (place, 1, cells, InTwo())
        if place + 1 < len(lines) and lines[place + 1][0] == number + 1:
            joined, in_two = _joined(cells, lines[place + 1][1])
            if (score := recognised(joined, in_two)) > max(best, alone + 1):
                best, chosen = score, (place, 2, joined, in_two)
    first, deep, headings, in_two = chosen
    headings = [*headings]
    while headings and not headings[-1]:
        headings.pop()
    return first, deep, headings, in_two


def _joined(upper: Sequence[str], lower: Sequence[str]) -> tuple[list[str], InTwo]:
    """Headings of two lines; what stands above several columns stands above each."""
    made, in_two, over = [], InTwo(), ""
    for place in range(max(len(upper), len(lower))):
        own = upper[place] if place < len(upper) else ""
        over = own or over
        under = lower[place] if place < len(lower) else ""
        made.append(f"{over} {under}".strip() if under and under != over else own)
        if over and under:
            in_two[made[-1]] = over, under
    return made, in_two


def _letters(place: int) -> str:
    """Name of a column as spreadsheets count: A to Z, AA …"""
    name = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        name = chr(65 + rest) + name
    return name


def _csv_lines(path: Path) -> Lines:
    raw = path.read_bytes()
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = raw.decode("utf-16", errors="replace")
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("cp1252", errors="replace")  # how spreadsheets on Windows save plain CSV
    first = text.lstrip("\r\n").split("\n")[:_HEADINGS_WITHIN]
    delimiter = max(",;\t", key=lambda sign: max((line.count(sign) for line in first), default=0))
    try:
        return list(enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True), start=1))
    except csv.Error as error:
        raise DataError(
            f"{path.name}: cannot be read ({error})", "look for a quotation mark without its twin"
        ) from error


def _xlsx_lines(path: Path) -> dict[str, Lines]:
    import openpyxl

    try:
        with zipfile.ZipFile(path) as packed:
            size = sum(entry.file_size for entry in packed.infolist())
        if size > LARGEST_BYTES:
            raise ValueError("it unpacks to more than a sheet holds")
        by_line = size > _MERGES_BYTES
        book = openpyxl.load_workbook(path, read_only=by_line, data_only=True, keep_links=False)
        try:
            return {
                sheet.title: _filled(sheet, by_line=by_line)
                for sheet in book.worksheets
                if sheet.sheet_state == "visible"
            }
        finally:
            book.close()
    except Exception as error:  # openpyxl and zipfile raise many kinds on damaged files
        raise DataError(f"{path.name}: cannot be read as XLSX ({error})", "save it again, or as CSV") from error


def _filled(sheet: Any, *, by_line: bool) -> Lines:
    """Cells as text; each cell of a merged range holds what the range shows."""
    rows = sheet.iter_rows(max_row=min(sheet.max_row or 0, MOST_ROWS + 1000) or None)
    lines = [(number, [_text(cell) for cell in row]) for number, row in enumerate(rows, start=1)]
    for merged in () if by_line else sheet.merged_cells.ranges:
        shown = lines[merged.min_row - 1][1][merged.min_col - 1] if merged.min_row <= len(lines) else ""
        for row in range(merged.min_row - 1, min(merged.max_row, len(lines))):
            for column in range(merged.min_col - 1, min(merged.max_col, len(lines[row][1]))):
                lines[row][1][column] = shown
    return lines


def _text(cell: Any) -> str:
    """A cell as it is shown, as far as its format decides what was meant."""
    value, form = cell.value, str(getattr(cell, "number_format", None) or "").casefold()
    if value is None:
        return ""
    if isinstance(value, datetime) and value.time() != value.time().min:
        return value.isoformat(sep=" ")
    if isinstance(value, date):
        day = value.date() if isinstance(value, datetime) else value
        form = re.sub(r"\[.*?\]|\".*?\"", "", form)
        if "d" not in form and "y" in form:  # "Nov 1908" is kept as the first of that month, and shown without its day
            return f"{month_name[day.month]} {day.year}" if "m" in form else str(day.year)
        return day.isoformat()
    if isinstance(value, float) and value.is_integer():
        value = int(value)  # spreadsheets keep 1903 as 1903.0
    if isinstance(value, int) and not isinstance(value, bool) and re.fullmatch("0+", form):
        return f"{value:0{len(form)}d}"  # a number shown with zeros in front
    return str(value)
