"""A colleague's package into a corpus: an empty one, or one that has a catalogue already.

Rows that stand there already, cell for cell, are passed over. An id that means something else here is a clash:
it is reported with a new id proposed, and nothing is written until every clash has a mapping. A row that differs and
has no id of its own is reported with the files to edit. No row is changed.
"""

import json
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

import polars as pl

from pipeline.errors import DataError
from pipeline.store.adding.editing import EditableTable
from pipeline.store.adding.new import begin
from pipeline.store.adding.package_ids import (
    LISTENER,
    Cells,
    Clash,
    Difference,
    NewIds,
    Tables,
    earlier_ids,
    free,
    has_own_id,
    keep_ids,
    listener_clashes,
    renamed,
    with_known_ids,
)
from pipeline.store.adding.reviews import listeners_by_code, undrawn
from pipeline.store.catalogue.csv_text import read_text_table, typed
from pipeline.store.catalogue.problems import Problem
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.corpus import Corpus
from pipeline.store.files.changes import Change, changing
from pipeline.store.files.paths import leads_out
from pipeline.store.formats.data_package import not_as_described, unguarded
from pipeline.store.schema import Relation, hand_kept

# A package of tables is small; what unpacks to more than this is refused.
LARGEST_BYTES = 2_000_000_000
LARGEST_FILES = 5_000


@dataclass
class MergePlan:
    """Rows to add, by table; rows that are here already; clashes of ids, and rows that differ under the same key.

    ``remarks`` say what of the package is not taken in, or can no longer serve.
    """

    rows: dict[str, list[Cells]] = field(default_factory=dict)
    known: int = 0
    clashes: list[Clash] = field(default_factory=list)
    differences: list[Difference] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def new_from(root: Path | str, source: Path | str, *, say: Callable[[str], None] = lambda _: None) -> Path:
    """Begin a corpus with the catalogue and verdicts of a package; ``say`` is told what could not be taken in.

    Raises
    ------
    DataError
        If the folder is not empty, or the package is none, is damaged, or reaches outside itself.
    """
    target = Path(root)
    with _opened(Path(source)) as folder:
        described = _described(folder)
        tables, remarks = _once(_read(folder))
        remarks += _edited(folder, described)
    remarks += _without_samples(tables, drawn=tables.get("drawn_item", ()))
    scheme = described.get("default_period_scheme")
    known = scheme in [row["scheme"] for row in tables.get("period", ())]

    def filled(here: Path) -> Iterable[EditableTable]:
        return _tables_with(here, tables)

    begin(target, title=_title(described), scheme=str(scheme) if known else "", filled=filled)
    for remark in remarks:
        say(remark)
    return target


def _described(folder: Path) -> dict[str, Any]:
    """The package's descriptor."""
    try:
        said = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise DataError(f"datapackage.json: cannot be read ({error})", "ask for the package again") from error
    if not isinstance(said, dict):
        raise DataError("datapackage.json: is no description of a package", "give what `glideline export` made")
    return said


def _title(described: dict[str, Any]) -> str:
    """The title in a descriptor, on one line; empty if it has none."""
    title = described.get("title")
    return "".join(c for c in " ".join(title.split()) if c.isprintable()).strip() if isinstance(title, str) else ""


def plan_merge(corpus: Corpus, source: Path | str, *, mapping: NewIds | None = None) -> MergePlan:
    """What merging the package would add, with the ids of ``mapping`` ((table, id) -> new id) put in."""
    with _opened(Path(source)) as folder:
        tables, remarks = _once(_read(folder))
        remarks += _edited(folder, _described(folder))
    catalogue = Catalogue(corpus.root)
    own = {(LISTENER, code): name for code, name in listeners_by_code(corpus).items()}
    plan = _planned(catalogue, tables, {**own, **(mapping or {})}, earlier=earlier_ids(corpus.root))
    drawn = [*catalogue.frame("drawn_item").to_dicts(), *tables.get("drawn_item", ())]
    plan.remarks = remarks + _without_samples(tables, drawn=drawn)
    return plan


def merge(corpus: Corpus, source: Path | str, *, mapping: NewIds) -> MergePlan:
    """Add the package's rows to the corpus.

    Raises
    ------
    DataError
        If a clash has no mapping; then nothing is written, and all clashes are listed with proposals.
    """
    with changing(corpus.root, doing="add") as change:
        plan = plan_merge(corpus, source, mapping=mapping)
        add_planned(change, plan, mapping)
    return plan


def add_planned(change: Change, plan: MergePlan, mapping: NewIds) -> None:
    """Gives the rows of a plan to a change, and keeps the new ids that it was made with.

    Raises
    ------
    DataError
        If the plan has a clash or a difference.
    """
    if plan.clashes or plan.differences:
        lines = [f"{c.table} {c.id!r} means something else here; map it to {c.proposed!r}" for c in plan.clashes]
        lines += [f"{difference}; {difference.cure}" for difference in plan.differences]
        raise DataError("\n".join([*lines, "nothing was written"]))
    if mapping:
        keep_ids(change, mapping)
    for table in _tables_with(change.root, plan.rows):
        table.into(change)


def _once(tables: Tables) -> tuple[dict[str, list[Cells]], list[str]]:
    """The tables without printed fingerings that stand in ``written_note`` as well, and what is said of that."""
    parts = {(row["work_id"], row["edition"]) for row in tables.get("written_part", ())}
    printed = tables.get("printed_fingering", [])
    left = [row for row in printed if (row["work_id"], row["edition"]) not in parts]
    remarks = []
    if len(left) < len(printed):
        remarks.append("Printed fingerings stand in written_part and written_note; printed_fingering is left out.")
    return {**tables, "printed_fingering": left}, remarks


def _edited(folder: Path, described: Mapping[str, Any]) -> list[str]:
    """What is said of tables that are taken in, but are not those that were exported."""
    ours = {_place_of(relation) for relation in hand_kept()}
    edited = [path for path in not_as_described(folder, described) if path in ours]
    if not edited:
        return []
    return [
        f"Not as exported, but edited, saved anew or damaged since: {', '.join(edited)}. What they hold now is taken "
        "in; the export's hash does not stand for it. To have what was exported, ask for the package again."
    ]


def _without_samples(tables: Tables, *, drawn: Iterable[Mapping[str, Any]]) -> list[str]:
    lost = undrawn(((row["sample_id"], row["item_id"]) for row in tables.get("review", ())), drawn=drawn)
    if not lost:
        return []
    return [
        f"The samples of {len(lost)} of the verdicts are not in the package (reviews/drawn_item.csv): these correct "
        "single slides and enter no error rate. Ask for an export made anew."
    ]


def _planned(catalogue: Catalogue, tables: Tables, given: NewIds, *, earlier: list[tuple[str, str, str]]) -> MergePlan:
    here = {relation.name: _texts(catalogue.frame(relation.name), relation) for relation in hand_kept()}
    mapping = with_known_ids(here, tables, given, earlier=earlier)
    new = {r.name: [renamed(row, r, mapping) for row in tables.get(r.name, ())] for r in hand_kept()}
    said = {new_id for (table, _), new_id in given.items() if table == LISTENER}
    plan = MergePlan(clashes=[clash for clash in listener_clashes(here, new) if clash.id not in said])
    doubtful = {clash.id for clash in plan.clashes}
    for relation in hand_kept():
        by_key = {tuple(row[name] for name in relation.key): row for row in here[relation.name]}
        used = {row[relation.key[0]].casefold() for row in here[relation.name]}
        for row in new[relation.name]:
            key = tuple(row[name] for name in relation.key)
            mine = by_key.get(key)
            if mine is None:
                plan.rows.setdefault(relation.name, []).append(row)
            elif mine == row:
                plan.known += 1
            elif relation.folder != "reviews" or row["listener"] not in doubtful:
                differs = tuple((name, mine[name], row[name]) for name in row if mine[name] != row[name])
                if has_own_id(relation):
                    plan.clashes.append(Clash(relation.name, key[0], free(key[0], used), differs))
                else:
                    ours = _file_of(catalogue.root, relation, row).relative_to(catalogue.root).as_posix()
                    plan.differences.append(Difference(relation.name, key, differs, ours, _place_of(relation)))
    # What only points to an id that clashes is alike, or not, once that has its new one.
    clashing = {clash.id for clash in plan.clashes}
    first = [c for c in plan.clashes if not c.differs or any(its not in clashing for _, _, its in c.differs)]
    plan.clashes = first or plan.clashes
    plan.differences = [d for d in plan.differences if any(its not in clashing for _, _, its in d.differs)]
    return plan


def _texts(frame: pl.DataFrame, relation: Relation) -> list[Cells]:
    names = [column.name for column in relation.written_columns]
    text = frame.select(pl.col(name).cast(pl.String).fill_null("") for name in names)
    return text.to_dicts()


def _tables_with(root: Path, rows: Mapping[str, list[Cells]]) -> list[EditableTable]:
    """The files of the corpus with these rows, by table, below their own."""
    books: dict[Path, EditableTable] = {}
    for relation in hand_kept():
        for row in rows.get(relation.name, ()):
            path = _file_of(root, relation, row)
            if path not in books:
                books[path] = EditableTable.read(path, relation=relation)
            books[path].append(row)
    return list(books.values())


def _file_of(root: Path, relation: Relation, row: Cells) -> Path:
    """The file of a corpus in which a row is kept."""
    names = {"review": "{listener}.csv", "mark": "{listener}.marks.csv", "drawn_item": "{sample_id}.csv"}
    return root / relation.folder / names.get(relation.name, f"{relation.name}.csv").format(**row)


def _place_of(relation: Relation) -> str:
    """Where a package keeps a table."""
    return f"{'catalogue' if relation.folder == 'catalogue' else 'reviews'}/{relation.name}.csv"


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
        path = folder / _place_of(relation)
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
        descriptor = place / "datapackage.json"
        if descriptor.is_file() and not leads_out(descriptor, root=folder):
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
