"""A colleague's package into a corpus: an empty one, or one that has a catalogue already.

Rows that stand there already, cell for cell, are passed over. An id that means something else here is a clash:
it is reported with a new id proposed, and nothing is written until every clash has a mapping. No row is changed.
"""

import json
import re
import tempfile
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

import polars as pl

from pipeline.errors import DataError
from pipeline.store.adding.editing import EditableTable
from pipeline.store.adding.new import begin
from pipeline.store.catalogue.csv_text import read_text_table, typed
from pipeline.store.catalogue.problems import Problem
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.corpus import Corpus
from pipeline.store.files.changes import Change, changing
from pipeline.store.formats.data_package import unguarded
from pipeline.store.schema import ID_PATTERN, ID_WORDS, Relation, hand_kept

# A package of tables is small; what unpacks to more than this is refused.
LARGEST_BYTES = 2_000_000_000
LARGEST_FILES = 5_000
Cells = dict[str, str]
Mapping_ = Mapping[tuple[str, str], str]


@dataclass(frozen=True)
class Clash:
    """An id that stands for one thing here and for another in the package."""

    table: str
    id: str
    proposed: str
    differs: tuple[tuple[str, str, str], ...] = ()

    def __str__(self) -> str:
        """What differs: column, here, there."""
        told = "; ".join(
            f"{name} here {mine or '(empty)'}, there {its or '(empty)'}" for name, mine, its in self.differs
        )
        return f"{self.table} {self.id}: {told}"


@dataclass
class MergePlan:
    """Rows to add, by table; rows that are here already; clashes."""

    rows: dict[str, list[Cells]] = field(default_factory=dict)
    known: int = 0
    clashes: list[Clash] = field(default_factory=list)


def new_from(root: Path | str, source: Path | str) -> Path:
    """Begin a corpus with the catalogue and verdicts of a package.

    Raises
    ------
    DataError
        If the folder is not empty, or the package is none, is damaged, or reaches outside itself.
    """
    target = Path(root)
    with _opened(Path(source)) as folder:
        title = _title(folder)
        tables = _read(folder)

    def filled(here: Path) -> Iterable[EditableTable]:
        return _tables_with(here, tables)

    begin(target, title=title, filled=filled)
    return target


def _title(folder: Path) -> str:
    """The title in the package's descriptor, on one line; empty if it has none."""
    try:
        said = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise DataError(f"datapackage.json: cannot be read ({error})", "ask for the package again") from error
    if not isinstance(said, dict):
        raise DataError("datapackage.json: is no description of a package", "give what `glideline export` made")
    title = said.get("title")
    return "".join(c for c in " ".join(title.split()) if c.isprintable()).strip() if isinstance(title, str) else ""


def plan_merge(corpus: Corpus, source: Path | str, *, mapping: Mapping_ | None = None) -> MergePlan:
    """What merging the package would add, with the ids of ``mapping`` ((table, id) -> new id) put in."""
    with _opened(Path(source)) as folder:
        tables = _read(folder)
    return _planned(Catalogue(corpus.root), tables, mapping or {})


def merge(corpus: Corpus, source: Path | str, *, mapping: Mapping_) -> MergePlan:
    """Add the package's rows to the corpus.

    Raises
    ------
    DataError
        If a clash has no mapping; then nothing is written, and all clashes are listed with proposals.
    """
    with changing(corpus.root, doing="add") as change:
        plan = plan_merge(corpus, source, mapping=mapping)
        add_planned(change, plan)
    return plan


def add_planned(change: Change, plan: MergePlan) -> None:
    """Gives the rows of a plan to a change.

    Raises
    ------
    DataError
        If the plan has a clash.
    """
    if plan.clashes:
        lines = [f"{c.table} {c.id!r} means something else here; map it to {c.proposed!r}" for c in plan.clashes]
        raise DataError("\n".join([*lines, "nothing was written; give a new id for each of them"]))
    for table in _tables_with(change.root, plan.rows):
        table.into(change)


def clash_report(clashes: list[Clash]) -> list[str]:
    """The clashes as CSV lines (table,id,new_id) with the proposed ids, to be mended and read back."""
    return ["table,id,new_id", *(f"{clash.table},{clash.id},{clash.proposed}" for clash in clashes)]


def read_new_ids(path: Path) -> dict[tuple[str, str], str]:
    """New ids by table and id, from such a CSV.

    Raises
    ------
    DataError
        If the file cannot be read, lacks a column, or a new id is not an id.
    """
    try:
        frame = pl.read_csv(path, infer_schema=False)
        rows = frame.select("table", "id", "new_id").drop_nulls().rows()
    except (OSError, pl.exceptions.PolarsError) as error:
        raise DataError(f"{path}: cannot be read ({error})", "it needs the columns table, id, new_id") from error
    for number, (_, _, new_id) in enumerate(rows, start=2):
        if not re.fullmatch(ID_PATTERN, new_id):
            raise DataError(f"{path}, row {number}: new_id = {new_id}: is no id", f"ids are {ID_WORDS}")
    return {(table, ident): new_id for table, ident, new_id in rows}


def _planned(catalogue: Catalogue, tables: dict[str, list[Cells]], mapping: Mapping_) -> MergePlan:
    plan = MergePlan()
    for relation in hand_kept():
        rows = [_renamed(row, relation, mapping) for row in tables.get(relation.name, ())]
        here = _texts(catalogue.frame(relation.name), relation)
        by_key = {tuple(row[name] for name in relation.key): row for row in here}
        used = {row[relation.key[0]].casefold() for row in here}
        for row in rows:
            key = tuple(row[name] for name in relation.key)
            mine = by_key.get(key)
            if mine is None:
                plan.rows.setdefault(relation.name, []).append(row)
            elif mine == row:
                plan.known += 1
            else:
                differs = tuple((name, mine[name], row[name]) for name in row if mine[name] != row[name])
                plan.clashes.append(Clash(relation.name, key[0], _free(key[0], used), differs))
    return plan


def _free(ident: str, used: set[str]) -> str:
    number = 2
    while f"{ident}-{number}" in used:
        number += 1
    return f"{ident}-{number}"


def _renamed(row: Cells, relation: Relation, mapping: Mapping_) -> Cells:
    made = dict(row)
    for column in relation.written_columns:
        own = column.name == relation.key[0] and column.references is None
        table = relation.name if own else (column.references or "").partition(".")[0]
        if table and (table, row[column.name]) in mapping:
            made[column.name] = mapping[table, row[column.name]]
    return made


def _texts(frame: pl.DataFrame, relation: Relation) -> list[Cells]:
    names = [column.name for column in relation.written_columns]
    text = frame.select(pl.col(name).cast(pl.String).fill_null("") for name in names)
    return text.to_dicts()


def _tables_with(root: Path, rows: Mapping[str, list[Cells]]) -> list[EditableTable]:
    """The files of the corpus with these rows, by table, below their own."""
    books: dict[Path, EditableTable] = {}
    for relation in hand_kept():
        for row in rows.get(relation.name, ()):
            path = root / "catalogue" / f"{relation.name}.csv"
            if relation.folder != "catalogue":
                marks = ".marks" if relation.name == "mark" else ""
                path = root / "reviews" / f"{row['listener']}{marks}.csv"
            if path not in books:
                books[path] = EditableTable.read(path, relation=relation)
            books[path].append(row)
    return list(books.values())


def _read(folder: Path) -> dict[str, list[Cells]]:
    """The hand-kept tables of an unpacked package, each cell as text; columns that we do not know are left out.

    Raises
    ------
    DataError
        If anything in them is wrong; names it all.
    """
    tables: dict[str, list[Cells]] = {}
    problems: list[Problem] = []
    for relation in hand_kept():
        if relation.folder == "reviews/drawn":
            continue
        part = "catalogue" if relation.folder == "catalogue" else "reviews"
        path = folder / part / f"{relation.name}.csv"
        if not path.is_file() and not path.is_symlink():
            continue
        text = read_text_table(path, relation=relation, root=folder)
        ours = {column.name for column in relation.written_columns}
        found = [p for p in text.problems if not p.column or p.column in ours]
        values = []
        for column in relation.written_columns:
            cells = [None if cell is None else unguarded(cell) for cell in text.column(column.name)]
            series, wrong = typed(column, cells, comma_decimals=False)
            values.append(series)
            found += [
                Problem(text.file, text.numbers[w.row], column.name, cells[w.row] or "", w.message, w.cure)
                for w in wrong
                if text.whole
            ]
        problems += found
        if not found:
            tables[relation.name] = _texts(relation.checked(pl.DataFrame(values)), relation)
    if problems:
        raise DataError("\n".join(["the package cannot be taken in; ask for a mended one:", *map(str, problems)]))
    return tables


@contextmanager
def _opened(source: Path) -> Iterator[Path]:
    """The package's folder; a zip is unpacked into a temporary one."""
    if source.is_dir():
        yield _root(source, source)
        return
    if not source.is_file() or not zipfile.is_zipfile(source):
        raise DataError(f"{source}: is neither a folder nor a zip of a package", "give what `glideline export` made")
    with tempfile.TemporaryDirectory() as room:
        _unpack(source, Path(room))
        yield _root(Path(room), source)


def _root(folder: Path, source: Path) -> Path:
    for place in (folder, *sorted(path for path in folder.iterdir() if path.is_dir())):
        if (place / "datapackage.json").is_file():
            return place
    raise DataError(f"{source}: holds no datapackage.json", "give the folder that `glideline export` made")


def _unpack(source: Path, room: Path) -> None:
    try:
        with zipfile.ZipFile(source) as file:
            entries = file.infolist()
            if len(entries) > LARGEST_FILES or sum(entry.file_size for entry in entries) > LARGEST_BYTES:
                raise DataError(f"{source}: unpacks to more than a package of tables holds", "it was not unpacked")
            for entry in entries:
                name = PurePosixPath(entry.filename.replace("\\", "/"))
                if name.is_absolute() or ".." in name.parts or ":" in entry.filename:
                    raise DataError(f"{source}: {entry.filename!r} reaches outside the package", "it was not unpacked")
                if entry.external_attr >> 28 == 0xA:
                    raise DataError(f"{source}: {entry.filename!r} is a link", "it was not unpacked")
            left = LARGEST_BYTES
            for entry in entries:
                if entry.is_dir():
                    continue
                target = room.joinpath(*PurePosixPath(entry.filename.replace("\\", "/")).parts)
                target.parent.mkdir(parents=True, exist_ok=True)
                with file.open(entry) as packed, target.open("wb") as out:
                    while block := packed.read(1 << 20):
                        left -= len(block)  # what a header says of its size need not be so
                        if left < 0:
                            raise DataError(f"{source}: unpacks to more than it says", "it was not taken in")
                        out.write(block)
    except DataError:
        raise
    except Exception as error:  # zipfile, zlib and struct raise many kinds on damaged files
        raise DataError(f"{source}: cannot be unpacked ({error})", "ask for it again") from error
