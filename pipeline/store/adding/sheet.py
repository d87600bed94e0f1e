"""Reads one flat sheet, CSV or XLSX: a line a recording, with the headings that its owner likes."""

import csv
import io
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from pipeline.errors import DataError

MOST_ROWS = 200_000
LARGEST_BYTES = 400_000_000  # of an XLSX file unpacked


@dataclass(frozen=True)
class SheetRow:
    """One line: its number as a spreadsheet counts, and its cells as text by heading (empty cells left out)."""

    number: int
    cells: dict[str, str]


@dataclass(frozen=True)
class Sheet:
    """A sheet as text."""

    name: str
    headings: tuple[str, ...]
    rows: tuple[SheetRow, ...]


def read_sheet(path: Path) -> Sheet:
    """The first sheet of an XLSX file, or a CSV file with commas, semicolons or tabs.

    Raises
    ------
    DataError
        If the file is not there, is of another kind, is damaged, or has no headings or a heading twice.
    """
    if not path.is_file():
        raise DataError(f"{path.name}: there is no such sheet; name a CSV or XLSX file")
    suffix = path.suffix.casefold()
    if suffix in (".xlsx", ".xlsm"):
        lines = _xlsx_lines(path)
    elif suffix in (".csv", ".tsv", ".txt"):
        lines = _csv_lines(path)
    else:
        raise DataError(f"{path.name}: {suffix or 'no ending'} is not a sheet that can be read; save it as XLSX or CSV")
    return _sheet(path.name, lines)


def _sheet(name: str, lines: Iterable[tuple[int, list[str]]]) -> Sheet:
    headings: list[str] = []
    rows: list[SheetRow] = []
    for number, cells in lines:
        cells = [" ".join(cell.split()) for cell in cells]
        if not any(cells):
            continue
        if not headings:
            headings = cells
            while not headings[-1]:
                headings.pop()
            twice = sorted({h for h in headings if h and headings.count(h) > 1})
            if twice:
                raise DataError(f"{name}, row {number}: heading {twice[0]!r} stands twice; rename one of the two")
            continue
        if len(rows) >= MOST_ROWS:
            raise DataError(f"{name}: has more than {MOST_ROWS:,} rows; add it in parts")
        filled = {h: c for h, c in zip(headings, cells, strict=False) if h and c}
        if filled:
            rows.append(SheetRow(number, filled))
    if not headings:
        raise DataError(f"{name}: is empty; its first row must hold headings such as file, player, year, work")
    return Sheet(name, tuple(h for h in headings if h), tuple(rows))


def _csv_lines(path: Path) -> list[tuple[int, list[str]]]:
    raw = path.read_bytes()
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = raw.decode("utf-16", errors="replace")
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("cp1252", errors="replace")  # how spreadsheets on Windows save plain CSV
    first = text.lstrip("\r\n").split("\n", 1)[0]
    delimiter = max(",;\t", key=first.count)
    try:
        return list(enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True), start=1))
    except csv.Error as error:
        raise DataError(f"{path.name}: cannot be read ({error}); look for a quotation mark without its twin") from error


def _xlsx_lines(path: Path) -> list[tuple[int, list[str]]]:
    import openpyxl

    try:
        with zipfile.ZipFile(path) as packed:
            size = sum(entry.file_size for entry in packed.infolist())
        if size > LARGEST_BYTES:
            raise ValueError("it unpacks to more than a sheet holds")
        book = openpyxl.load_workbook(path, read_only=True, data_only=True, keep_links=False)
        try:
            rows = book.worksheets[0].iter_rows(values_only=True, max_row=MOST_ROWS + 1000)
            return [(number, [_text(value) for value in row]) for number, row in enumerate(rows, start=1)]
        finally:
            book.close()
    except Exception as error:  # openpyxl and zipfile raise many kinds on damaged files
        raise DataError(f"{path.name}: cannot be read as XLSX ({error}); save it again, or as CSV") from error


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == value.time().min else value.isoformat(sep=" ")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))  # spreadsheets keep 1903 as 1903.0
    return str(value)
