"""Ids of a colleague's package: what they mean here, the new ones they are given, and what cannot be told apart by ids.

New ids are kept in ``sheet/given-ids.csv``, so that the same rows are known when the package comes again. One is used
anew only where the row under it is the package's row, or where a listener has a verdict in common.
"""

import csv
import io
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.errors import DataError
from pipeline.store.files.changes import Change
from pipeline.store.schema import ID_PATTERN, ID_WORDS, Relation, hand_kept

Cells = dict[str, str]
Tables = Mapping[str, list[Cells]]
NewIds = Mapping[tuple[str, str], str]
KEPT = "sheet/given-ids.csv"
LISTENER = "listener"
"""Named as a table in files of new ids, though listeners have none of their own."""
_COLUMNS = ("table", "id", "new_id")
_JUDGING = ("review", "mark")


@dataclass(frozen=True)
class Clash:
    """An id that stands for one thing here and for another in the package."""

    table: str
    id: str
    proposed: str
    differs: tuple[tuple[str, str, str], ...] = ()

    def __str__(self) -> str:
        """What differs: column, here, there."""
        if self.table == LISTENER:
            return (
                f"listener {self.id}: has verdicts or marks here, and only others in the package; if they are one "
                f"person, write {self.id} as the new id"
            )
        return f"{self.table} {self.id}: {_told(self.differs)}"


@dataclass(frozen=True)
class Difference:
    """A row that says one thing here and another in the package, and that no new id would part.

    Attributes
    ----------
    ours, theirs : the files that hold the row, in the corpus and in the package.
    """

    table: str
    key: tuple[str, ...]
    differs: tuple[tuple[str, str, str], ...]
    ours: str
    theirs: str

    def __str__(self) -> str:
        """The row and what differs: column, here, there."""
        return f"{self.table} {', '.join(cell for cell in self.key if cell)}: {_told(self.differs)}"

    @property
    def cure(self) -> str:
        """Which file to edit."""
        said = f"to keep ours, write the same in {self.theirs} of the package; to take theirs, in {self.ours} here"
        if self.table in _JUDGING:
            said += "; if two people listened, give the package's one a new id: a line listener,ID,NEW-ID in --new-ids"
        return said


def _told(differs: tuple[tuple[str, str, str], ...]) -> str:
    return "; ".join(f"{name} here {mine or '(empty)'}, there {its or '(empty)'}" for name, mine, its in differs)


def has_own_id(relation: Relation) -> bool:
    """Whether rows are named by an id of their own, which other tables use."""
    return relation.key == (f"{relation.name}_id",)


def renamed(row: Cells, relation: Relation, mapping: NewIds) -> Cells:
    """The row with the new ids of what it is and of what it points to."""
    made = dict(row)
    for column in relation.written_columns:
        own = has_own_id(relation) and column.name in relation.key
        table = relation.name if own else (column.references or "").partition(".")[0]
        if relation.name in _JUDGING and column.name == LISTENER:
            table = LISTENER
        if table:
            made[column.name] = mapping.get((table, row[column.name]), row[column.name])
    return made


def free(ident: str, used: Iterable[str]) -> str:
    """``ident`` with the first number that nothing has yet."""
    taken, number = set(used), 2
    while f"{ident}-{number}" in taken:
        number += 1
    return f"{ident}-{number}"


def listener_clashes(here: Tables, package: Tables) -> list[Clash]:
    """Listeners who have verdicts or marks on both sides and none in common, so that they may be two people.

    ``package`` holds its rows with their new ids.
    """
    mine, its = _judgements(here), _judgements(package)
    return [
        Clash(LISTENER, name, free(name, mine.keys() | its.keys()))
        for name in sorted(mine.keys() & its.keys())
        if not mine[name] & its[name]
    ]


def _judgements(tables: Tables) -> dict[str, set[tuple[str, ...]]]:
    made: dict[str, set[tuple[str, ...]]] = {}
    for name in _JUDGING:
        for row in tables.get(name, ()):
            made.setdefault(row[LISTENER], set()).add((name, *row.values()))
    return made


def with_known_ids(here: Tables, package: Tables, given: NewIds, *, earlier: list[tuple[str, str, str]]) -> NewIds:
    """``given`` and those ids of earlier merges under which the package's own rows stand here."""
    mapping = dict(given)
    own = [relation for relation in hand_kept() if has_own_id(relation)]
    kept = {r.name: {tuple(row.values()) for row in here.get(r.name, ())} for r in own}
    rows = {(r.name, row[r.key[0]]): (r, row) for r in own for row in package.get(r.name, ())}
    before = -1
    while len(mapping) > before:  # a row may point to others with new ids of their own
        before = len(mapping)
        for table, ident, new_id in earlier:
            if (table, ident) in mapping or (table, ident) not in rows:
                continue
            relation, row = rows[table, ident]
            if tuple(renamed(row, relation, mapping | {(table, ident): new_id}).values()) in kept[table]:
                mapping[table, ident] = new_id
    mine = _judgements(here)
    for table, ident, new_id in earlier:
        if table == LISTENER and (table, ident) not in mapping:
            tried = mapping | {(table, ident): new_id}
            its = {
                relation.name: [renamed(row, relation, tried) for row in package.get(relation.name, ())]
                for relation in hand_kept("reviews")
            }
            if mine.get(new_id, set()) & _judgements(its).get(new_id, set()):
                mapping = tried
    return mapping


def clash_report(clashes: list[Clash]) -> list[str]:
    """The clashes as CSV lines (table,id,new_id) with the proposed ids, to be mended and read back."""
    return [",".join(_COLUMNS), *(f"{clash.table},{clash.id},{clash.proposed}" for clash in clashes)]


def read_new_ids(path: Path) -> dict[tuple[str, str], str]:
    """New ids by table and id, from such a CSV.

    Raises
    ------
    DataError
        If the file cannot be read, lacks a column, or a new id is not an id.
    """
    return {(table, ident): new_id for table, ident, new_id in _lines(path)}


def earlier_ids(root: Path) -> list[tuple[str, str, str]]:
    """Table, id and new id of all earlier merges into the corpus, the last first."""
    path = root / KEPT
    return _lines(path)[::-1] if path.exists() else []


def keep_ids(change: Change, given: NewIds) -> None:
    """Adds new ids to those of earlier merges."""
    path = change.root / KEPT
    was = path.read_bytes() if path.exists() else None
    lines = _lines(path) if was is not None else []
    lines += [line for line in ((table, ident, new) for (table, ident), new in given.items()) if line not in lines]
    buffer = io.StringIO(newline="")
    csv.writer(buffer).writerows([_COLUMNS, *lines])
    change.put(path, buffer.getvalue().encode(), was=was)


def _lines(path: Path) -> list[tuple[str, str, str]]:
    try:
        rows = pl.read_csv(path, infer_schema=False).select(_COLUMNS).drop_nulls().rows()
    except (OSError, pl.exceptions.PolarsError) as error:
        raise DataError(f"{path}: cannot be read ({error})", "it needs the columns table, id, new_id") from error
    for number, (_, _, new_id) in enumerate(rows, start=2):
        if not re.fullmatch(ID_PATTERN, new_id):
            raise DataError(f"{path}, row {number}: new_id = {new_id}: is no id", f"ids are {ID_WORDS}")
    return rows
