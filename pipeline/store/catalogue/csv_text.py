"""Reads a CSV file that people keep: as text, forgiving about how spreadsheets save, strict about what it says.

Accepted: UTF-8 with or without a byte order mark, commas, semicolons or tabs, any line ends, empty lines,
and empty trailing columns. Everything else is reported, with the row as a spreadsheet counts it.
"""

import csv
import hashlib
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.store.catalogue.cell_values import CellError, read_key
from pipeline.store.catalogue.identifiers import isni_fault, plain_form
from pipeline.store.catalogue.problems import Problem, did_you_mean, nearest, plain
from pipeline.store.catalogue.slugs import RESERVED, slug
from pipeline.store.files.paths import leads_out
from pipeline.store.schema import ID_PATTERN, KEY_PATTERN, Column, Relation, column_violations
from pipeline.store.schema.dates import DateError, parse_date

LONGEST_CELL = 20_000
_TRUE, _FALSE = ("yes", "true", "1"), ("no", "false", "0")
_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")
_COMMA_NUMBER = re.compile(r"[+-]?[0-9]+,[0-9]+")
_NOT_UTF8 = re.compile("[\udc80-\udcff]")  # bytes that are none, as decoding leaves them


@dataclass
class TextTable:
    """A hand-kept file as text: its headings, its rows, and the row numbers of a spreadsheet.

    ``whole`` is False where the file has more rows, or more in its rows, than could be read. ``sha256`` is that of
    the bytes that were read; empty where none were.
    """

    relation: Relation
    file: str
    delimiter: str = ","
    headings: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    whole: bool = True
    sha256: str = ""

    def column(self, name: str) -> list[str | None]:
        """The cells of one column, stripped; None where empty or where the file lacks the column."""
        if name not in self.headings:
            return [None] * len(self.rows)
        place = self.headings.index(name)
        return [row[place].strip() or None for row in self.rows]


def read_text_table(path: Path, *, relation: Relation, root: Path) -> TextTable:
    """Rows of a file of the corpus ``root`` as text, with all that is wrong in its form; none if there is no file."""
    file = path.relative_to(root).as_posix()
    table = TextTable(relation, file)

    def report(message: str, cure: str, row: int | None = None, column: str = "", value: str = "") -> None:
        table.problems.append(Problem(file, row, column, value, message, cure, table=relation.name))

    if leads_out(path, root=root):
        table.whole = False
        report("is a link that leads out of the corpus, and is not read", "put the file itself in its place")
        return table
    if not path.exists():
        return table
    try:
        raw = path.read_bytes()
    except OSError as error:
        table.whole = False
        report(f"cannot be read ({error.strerror or error})", "check that it is a file and that you may read it")
        return table
    table.sha256 = hashlib.sha256(raw).hexdigest()
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff") or 4 * raw[:200].count(0) > len(raw[:200]):
        table.whole = False
        report("is not saved as UTF-8", "save it again as 'CSV UTF-8'")
        return table
    text = raw.decode("utf-8-sig", errors="surrogateescape")
    first_line = text.lstrip("\r\n").split("\n", 1)[0]
    table.delimiter = max(",;\t", key=first_line.count)
    records = _records(text, table, report)
    number, headings = next(records, (0, []))
    if not headings:
        table.whole = False
        report("has no headings", f"begin it with: {','.join(c.name for c in relation.written_columns[:4])},…")
        return table
    table.headings = _headings(headings, relation, number, report)
    table.whole &= relation.key[0] in table.headings
    width = len(table.headings)
    alike: dict[str, str] = {}  # a value that stands in a million rows is kept once
    for number, record in records:
        cells = [*record, *[""] * (width - len(record))]
        if not any(cell.strip() for cell in cells):
            continue
        if any(cell.strip() for cell in cells[width:]):
            extra = next(cell for cell in cells[width:] if cell.strip())
            report("has more cells than there are headings", "quote cells that hold a separator", number, "", extra)
        cleaned = _clean(cells[:width], table.headings, number, report)
        table.rows.append([alike.setdefault(cell, cell) for cell in cleaned])
        table.numbers.append(number)
    return table


def _records(text: str, table: TextTable, report: Any) -> Iterator[tuple[int, list[str]]]:
    """Numbered rows from the headings on; says so of the table if the text cannot be read to its end."""
    number = 0
    begun = False
    before = csv.field_size_limit(50_000_000)
    try:
        for record in csv.reader(io.StringIO(text, newline=""), delimiter=table.delimiter, strict=True):
            number += 1
            begun = begun or any(cell.strip() for cell in record)
            if begun:
                yield number, record
    except csv.Error as error:
        table.whole = False
        report(f"cannot be read beyond this row ({error})", "look for a quotation mark without its twin", number + 1)
    finally:
        csv.field_size_limit(before)


def _headings(cells: list[str], relation: Relation, number: int, report: Any) -> list[str]:
    known = [column.name for column in relation.written_columns]
    headings = [cell.strip() for cell in cells]
    while headings and not headings[-1]:
        headings.pop()
    seen: set[str] = set()
    for place, heading in enumerate(headings):
        if heading in seen:
            report("stands twice among the headings", "keep one of the two columns", number, heading)
            headings[place] = ""
        elif heading in known:
            seen.add(heading)
        elif heading:
            others = [name for name in known if name not in headings]
            cure = did_you_mean(heading, others, otherwise=f"known columns: {', '.join(known)}")
            report(f"is not a column of {relation.name}", cure, number, heading)
    for column in relation.written_columns:
        if column.required and column.name not in headings:
            report("this column is missing", f"add it: {column.description}", None, column.name)
    return headings


def _clean(cells: list[str], headings: list[str], number: int, report: Any) -> list[str]:
    kept = []
    for heading, cell in zip(headings, cells, strict=True):
        if not cell.isascii() and _NOT_UTF8.search(cell):
            shown = cell.encode("utf-8", "surrogateescape").decode("latin-1")
            report("is not saved as UTF-8", "save the file again as 'CSV UTF-8'", number, heading, shown)
            cell = ""
        elif "\x00" in cell:
            report("holds a zero byte", "type the cell again", number, heading, cell)
            cell = ""
        elif len(cell) > LONGEST_CELL:
            report(f"is longer than {LONGEST_CELL} characters", "shorten it", number, heading, cell)
            cell = ""
        kept.append(cell)
    return kept


@dataclass(frozen=True)
class CellProblem:
    """One wrong cell; ``row`` counts from 0."""

    row: int
    message: str
    cure: str


def typed(column: Column, cells: list[str | None], *, comma_decimals: bool) -> tuple[pl.Series, list[CellProblem]]:
    """The column's values with the declared type, null where empty or wrong, and what is wrong.

    ``comma_decimals``: read ``78,26`` as 78.26, as a spreadsheet writes it where the comma is the decimal sign.
    """
    problems: list[CellProblem] = []
    values: list[Any] = [None] * len(cells)
    known: dict[str, tuple[Any, tuple[str, str] | None]] = {}  # most columns hold few different words
    for row, cell in enumerate(cells):
        if cell is None:
            continue
        if cell not in known:
            known[cell] = _value(column, cell, comma_decimals)
        values[row], trouble = known[cell]
        if trouble:
            problems.append(CellProblem(row, *trouble))
    dtype = {"string": pl.String(), "int64": pl.Int64(), "double": pl.Float64(), "boolean": pl.Boolean()}
    series = pl.Series(column.name, values, dtype=dtype.get(column.type, pl.Date()))
    if not known and not column.required:
        return series, problems
    wrong = {problem.row for problem in problems}
    if column.name == "isni":
        for row, cell in enumerate(cells):
            fault = isni_fault(cell) if cell is not None and plain_form("isni", cell) is None else None
            if fault:
                problems.append(CellProblem(row, *fault))
                wrong.add(row)
    for violation in column_violations(column, series):
        row = violation.row or 0
        if row in wrong:
            continue
        cell = cells[row]
        problems.append(CellProblem(row, violation.message, _cure(column, cell)))
    if problems:
        bad = {problem.row for problem in problems}
        kept = [None if row in bad else value for row, value in enumerate(series.to_list())]
        series = pl.Series(column.name, kept, dtype=series.dtype)
    return series, sorted(problems, key=lambda problem: problem.row)


def _value(column: Column, cell: str, comma_decimals: bool) -> tuple[Any, tuple[str, str] | None]:
    if column.edtf:
        try:
            parse_date(cell)
        except DateError as error:
            return None, (error.message, error.cure)
        return cell, None
    if column.type == "string":
        if column.pattern == ID_PATTERN and cell in RESERVED:
            return None, (RESERVED[cell], f"write {cell}-1")
        # spreadsheets begin words with capitals, and people write "tape copy" for tape_copy
        return next((value for value in column.values if plain(value) == plain(cell)), cell), None
    if column.type == "boolean":
        word = cell.casefold()
        if word in _TRUE or word in _FALSE:
            return word in _TRUE, None
        return None, ("is neither yes nor no", "write yes, no, or leave it empty")
    if column.type == "date":
        try:
            if re.fullmatch("[0-9]{4}-[0-9]{2}-[0-9]{2}", cell):
                return date.fromisoformat(cell), None
        except ValueError:
            return None, ("is no day of the calendar", "write the day as 2026-11-25")
        return None, ("is not a day", "write it as year-month-day: 2026-11-25")
    return _number(column, cell, comma_decimals)


def _number(column: Column, cell: str, comma_decimals: bool) -> tuple[Any, tuple[str, str] | None]:
    unit = f" (in {column.unit}, without writing the unit)" if column.unit else ""
    if _COMMA_NUMBER.fullmatch(cell):
        if not comma_decimals:
            return None, ("has a decimal comma", f"write {cell.replace(',', '.')}")
        cell = cell.replace(",", ".")
    if not _NUMBER.fullmatch(cell):
        return None, ("is not a number", f"write digits with a decimal point{unit}")
    number = float(cell)
    if number in (float("inf"), float("-inf")):
        return None, ("is too large for a number", "look for a slip of the keys")
    if column.type == "int64":
        if number != int(number) or abs(number) > 2**53:
            return None, ("is not a whole number", "write digits only")
        return int(number), None
    return number, None


def _cure(column: Column, cell: str | None) -> str:
    if cell is None:
        if column.values:
            return f"write one of {', '.join(str(value) for value in column.values)}"
        return f"fill it in: {column.description[:1].lower()}{column.description[1:]}"
    if spelled := plain_form(column.name, cell):
        return f"write {spelled}"
    if column.values:
        near = nearest(cell, [str(value) for value in column.values])
        otherwise = "choose one of these" + ("" if column.required else ", or leave the cell empty")
        return f"did you mean {near}?" if near else otherwise
    if column.pattern == ID_PATTERN:
        return f"write {slug(cell)}" if slug(cell) else "write small letters and digits"
    if column.pattern == KEY_PATTERN:
        try:
            return f"write {read_key(cell)}"
        except CellError as error:
            return error.cure
    if column.range:
        return f"look for a slip of the keys, or a wrong unit ({column.unit or 'a plain number'} is meant)"
    return "mend it" if column.required else "mend it, or leave the cell empty if it is not known"
