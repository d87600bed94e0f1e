"""What would be written to the catalogue: new rows, changed cells, rows that go, and cells that stay.

How a hand edit is told from an old value: ``sheet/applied.csv`` keeps what the sheet said when it was last added. A
cell is changed only if the sheet now says something else than then, and the cell still holds what it said then (so
no hand has touched it); a row goes only if it holds nothing else. All else is left and reported.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from pipeline.store.adding.recordings import Said
from pipeline.store.adding.row_index import Cells, RowBook, same
from pipeline.store.schema import load

FileKey = tuple[str, str]
"""File below audio/ and start of the side in it; an empty file and a name for a line of a sheet of people."""
BY_HAND = "edited by hand"


@dataclass(frozen=True)
class NewRow:
    """A row to be added."""

    table: str
    cells: Cells


@dataclass(frozen=True)
class Change:
    """A cell to be changed."""

    table: str
    key: Mapping[str, str]
    column: str
    old: str
    new: str


@dataclass(frozen=True)
class Gone:
    """A row to be taken out, which holds only what the sheet once said and says no more."""

    table: str
    key: Mapping[str, str]
    cells: Cells


@dataclass(frozen=True)
class Kept:
    """A cell that stays though the sheet says something else, and why; ``whole``: a row that it names no more."""

    table: str
    key: Mapping[str, str]
    column: str
    value: str
    said: str
    why: str = BY_HAND
    whole: bool = False


@dataclass
class Draft:
    """What would be written, and what the sheet then has said.

    Attributes
    ----------
    book : rows of the catalogue as they would be; what one line adds, the next finds.
    applied : what the sheet has said, by line and field.
    noted : cells that no column holds, so that they went into a note.
    """

    book: RowBook
    applied: dict[tuple[FileKey, str], str]
    noted: list[Said] = field(default_factory=list)
    new: list[NewRow] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    gone: list[Gone] = field(default_factory=list)
    kept: list[Kept] = field(default_factory=list)

    def add(self, table: str, cells: Cells) -> Cells:
        """Adds a row, and gives it back."""
        self.new.append(NewRow(table, cells))
        return self.book.add(table, cells)

    def offer(self, table: str, row: Cells, column: str, then: str, said: str, *, known: bool) -> bool:
        """Changes a cell from what the sheet said then to what it says now, unless a hand has been there."""
        current = row.get(column, "")
        if same(current) == same(said):
            return True
        if known and same(current) == same(then):
            self.change(table, row, column, said)
            return True
        self.keep(table, row, column, current, said)
        return False

    def change(self, table: str, row: Cells, column: str, value: str) -> None:
        """Changes a cell."""
        if not self._is_new(row):
            self.changes.append(Change(table, _key(table, row), column, row.get(column, ""), value))
        self.book.set(table, row, column, value)

    def keep(
        self, table: str, row: Cells, column: str, current: str, said: str, why: str = BY_HAND, *, whole: bool = False
    ) -> None:
        """Reports a cell that stays, or a whole row."""
        kept = Kept(table, _key(table, row), column, current, said, why, whole)
        if kept not in self.kept:
            self.kept.append(kept)

    def remove(self, table: str, row: Cells, *, drafted: Mapping[str, str]) -> bool:
        """Takes a row out if it holds nothing but what was drafted; tells whether it did."""
        if any(same(cell) != same(drafted.get(name, "")) for name, cell in row.items()):
            return False
        if self._is_new(row):
            self.new = [new for new in self.new if new.cells is not row]
        else:
            self.gone.append(Gone(table, _key(table, row), dict(row)))
        self.book.remove(table, row)
        return True

    def _is_new(self, row: Cells) -> bool:
        return any(new.cells is row for new in self.new)


def _key(table: str, row: Cells) -> dict[str, str]:
    return {name: row.get(name, "") for name in load(table).key}
