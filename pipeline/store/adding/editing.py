"""Changes hand-kept CSV files cell by cell, and leaves everything else in them as it stands.

Order of rows and columns, separator, line ends, byte order mark, and columns that we do not know are kept.
"""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.errors import DataError
from pipeline.store.files.changes import Change
from pipeline.store.schema import Relation

_BOM = "\ufeff"


@dataclass
class EditableTable:
    """One CSV file as rows of text; ``rows[0]`` are the headings, ``was`` what the file held, None for no file."""

    path: Path
    relation: Relation
    delimiter: str = ","
    line_end: str = "\r\n"
    marked: bool = True
    rows: list[list[str]] = field(default_factory=list)
    was: bytes | None = None

    @classmethod
    def read(cls, path: Path, *, relation: Relation) -> "EditableTable":
        """Reads the file; a missing one is begun with its headings.

        Raises
        ------
        DataError
            If the file is a link, cannot be read, or is not UTF-8 or not CSV: then it must be mended by hand first.
        """
        if path.is_symlink():
            raise DataError(f"{path.parent.name}/{path.name}: is a link", "put the file itself in its place")
        if not path.exists():
            return cls(path, relation, rows=[[column.name for column in relation.written_columns]])
        try:
            was = path.read_bytes()
            text = was.decode("utf-8")
            marked = text.startswith(_BOM)
            text = text.removeprefix(_BOM)
            first = text.lstrip("\r\n").split("\n", 1)[0]
            delimiter = max(",;\t", key=first.count)
            rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
        except (OSError, UnicodeDecodeError, csv.Error) as error:
            reason = error.strerror if isinstance(error, OSError) and error.strerror else error
            place = f"{path.parent.name}/{path.name}"
            raise DataError(f"{place}: cannot be changed ({reason})", "mend it first, see `check`") from error
        while rows and not any(cell.strip() for cell in rows[0]):
            rows.pop(0)
        if not rows:
            rows = [[column.name for column in relation.written_columns]]
        rows[0] = [cell.strip() for cell in rows[0]]
        return cls(path, relation, delimiter, "\r\n" if "\r\n" in text else "\n", marked, rows, was)

    def append(self, values: Mapping[str, str]) -> None:
        """Adds a row; columns that the file lacks are added to its headings."""
        self.rows.append([""] * len(self.rows[0]))
        self._fill(len(self.rows) - 1, values)

    def change(self, key: Mapping[str, str], column: str, value: str) -> None:
        """Sets one cell of the row with these key cells; KeyError if there is no such row."""
        for number, row in enumerate(self.rows[1:], start=1):
            if all(self._cell(row, name) == wanted for name, wanted in key.items()):
                self._fill(number, {column: value})
                return
        raise KeyError(f"{self.path.name}: {dict(key)}")

    def remove(self, key: Mapping[str, str]) -> None:
        """Takes out all rows with these key cells."""
        self.rows[1:] = [
            row for row in self.rows[1:] if any(self._cell(row, name) != wanted for name, wanted in key.items())
        ]

    def into(self, change: Change) -> None:
        """Gives the file, as it now is, to a change."""
        change.put(self.path, self.content(), was=self.was)

    def content(self) -> bytes:
        """The file as it would be written."""
        buffer = io.StringIO(newline="")
        csv.writer(buffer, delimiter=self.delimiter, lineterminator=self.line_end).writerows(self.rows)
        return ((_BOM if self.marked else "") + buffer.getvalue()).encode("utf-8")

    def _cell(self, row: Sequence[str], name: str) -> str:
        if name not in self.rows[0]:
            return ""
        place = self.rows[0].index(name)
        return row[place].strip() if place < len(row) else ""

    def _fill(self, number: int, values: Mapping[str, str]) -> None:
        for name, value in values.items():
            if name not in self.rows[0]:
                if not value:
                    continue
                self.rows[0].append(name)
            place = self.rows[0].index(name)
            row = self.rows[number]
            row.extend([""] * (place + 1 - len(row)))
            row[place] = value
