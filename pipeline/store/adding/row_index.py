"""Rows of several tables as text, found by the value of a column without looking at all of them."""

import re
from collections.abc import Mapping

from pipeline.store.adding.editing import EditableTable

Cells = dict[str, str]


class RowBook:
    """Rows that have all cells that they need; spelling of capitals and spaces does not matter when looking."""

    def __init__(self, tables: Mapping[str, EditableTable]) -> None:
        self._rows: dict[str, list[Cells]] = {}
        self._index: dict[tuple[str, str], dict[str, list[Cells]]] = {}
        for name, table in tables.items():
            needed = [column.name for column in table.relation.written_columns if column.required]
            headings = table.rows[0]
            rows = [
                {h: c.strip() for h, c in zip(headings, row, strict=False) if h and c.strip()} for row in table.rows[1:]
            ]
            self._rows[name] = [row for row in rows if all(heading in row for heading in needed)]

    def all(self, table: str) -> list[Cells]:
        """All rows of a table, in their order."""
        return self._rows[table]

    def where(self, table: str, column: str, value: str) -> list[Cells]:
        """Rows whose cell in that column says the same, in their order."""
        if (table, column) not in self._index:
            made: dict[str, list[Cells]] = {}
            for row in self._rows[table]:
                made.setdefault(same(row.get(column, "")), []).append(row)
            self._index[table, column] = made
        return list(self._index[table, column].get(same(value), ()))

    def one(self, table: str, column: str, value: str) -> Cells | None:
        """The first such row, or None."""
        found = self.where(table, column, value)
        return found[0] if found else None

    def add(self, table: str, cells: Cells) -> Cells:
        """Adds a row, and gives it back."""
        self._rows[table].append(cells)
        for (name, column), index in self._index.items():
            if name == table:
                index.setdefault(same(cells.get(column, "")), []).append(cells)
        return cells

    def set(self, table: str, row: Cells, column: str, value: str) -> None:
        """Changes a cell of a row of this book."""
        row[column] = value
        self._index.pop((table, column), None)

    def remove(self, table: str, row: Cells) -> None:
        """Takes out a row of this book."""
        self._rows[table] = [other for other in self._rows[table] if other is not row]
        for name, column in list(self._index):
            if name == table:
                self._index.pop((name, column))


def same(text: str) -> str:
    """What two spellings of the same cell have in common; 12 and 0012 are two matrix numbers."""
    plain = " ".join(text.casefold().split())
    if re.match("0[0-9]", plain):
        return plain
    try:
        return f"{float(plain):.12g}"
    except ValueError:
        return plain
