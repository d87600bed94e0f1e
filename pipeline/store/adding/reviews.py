"""Takes saved verdicts into ``reviews/``: checked first, nothing twice, nothing ever overwritten."""

import hashlib
import re
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import DataError
from pipeline.store.adding.editing import EditableTable
from pipeline.store.catalogue.csv_text import TextTable, read_text_table, typed
from pipeline.store.catalogue.problems import Problem, nearest, plain
from pipeline.store.catalogue.slugs import slug
from pipeline.store.corpus import Corpus
from pipeline.store.files.changes import Change, changing
from pipeline.store.schema import load
from pipeline.store.schema.relation import ID_PATTERN

SALT = "reviews/code-salt.txt"
_STRETCH = ("transfer_id", "transfer_start_s", "transfer_end_s", "sample_id", "item_id")
_SAME = (
    "transfer_id",
    "transfer_start_s",
    "transfer_end_s",
    "listener",
    "sample_id",
    "item_id",
    "verdict",
    "kind",
    "comment",
)


@dataclass(frozen=True)
class TakenIn:
    """What was done: verdicts added for each listener, and how many were there already.

    ``ids`` gives the listener's id for each name that is not written as one; ``nearly`` an older listener of nearly the
    same name for each new one; ``undrawn`` names the samples and excerpts that were never drawn here.
    """

    added: dict[str, int]
    known: int
    ids: dict[str, str]
    nearly: dict[str, str]
    undrawn: tuple[str, ...] = ()


def take_in(corpus: Corpus, file: Path) -> TakenIn:
    """Append the verdicts of a saved file to ``reviews/<listener>.csv``; of a listener's name an id is made.

    A verdict that stands there already, word for word, is passed over; a changed one is added below the old one
    and counts from then on (the last of a listener's verdicts on a stretch counts).

    Raises
    ------
    DataError
        If the file is not there or any row is wrong; then nothing is added, and every problem is named.
    """
    relation = load("review")
    if not file.is_file():
        raise DataError(f"{file}: there is no such file", "save the verdicts from the listening page first")
    table = read_text_table(file, relation=relation, root=file.parent)
    problems = list(table.problems)
    listeners = _listeners(corpus)
    ids = _with_ids(table, listeners)
    for column in relation.written_columns:
        cells = table.column(column.name)
        _, troubles = typed(column, cells, comma_decimals=False)
        problems += [
            Problem(
                file.name,
                table.numbers[t.row],
                column.name,
                cells[t.row] or "",
                t.message,
                t.cure,
                table="review",
            )
            for t in troubles
        ]
    problems += _unknown_sound(corpus, table, file.name)
    if not problems:
        problems += _contradictions(table, file.name)
    if problems:
        problems.sort(key=lambda problem: (problem.row or 0, problem.column, problem.message))
        raise DataError("\n".join(map(str, problems)))
    with changing(corpus.root, doing="listen --take-in") as change:
        added, known = _added(corpus, table, change)
    near = {name: nearest(name, listeners) for name in added if name not in listeners}
    said = zip(table.column("sample_id"), table.column("item_id"), strict=True)
    never = undrawn(said, drawn=corpus.catalogue.frame("drawn_item").iter_rows(named=True))
    return TakenIn(
        added, known, ids, {name: other for name, other in near.items() if other}, tuple(dict.fromkeys(never))
    )


def undrawn(said: Iterable[tuple[str | None, str | None]], *, drawn: Iterable[Mapping[str, Any]]) -> list[str]:
    """Of the samples and excerpts that verdicts name, those that were not drawn: no error rate can rest on them."""
    items = {(row["sample_id"], row["item_id"]) for row in drawn}
    samples = {sample for sample, _ in items}
    return [
        f"{sample} {item or ''}".rstrip()
        for sample, item in said
        if sample and ((sample, item) not in items if item else sample not in samples)
    ]


def _listeners(corpus: Corpus) -> list[str]:
    """Ids of all who have a file in ``reviews/``."""
    return sorted({path.name.split(".")[0] for path in (corpus.root / "reviews").glob("*.csv")})


def _with_ids(table: TextTable, listeners: list[str]) -> dict[str, str]:
    """Puts ids for the names of listeners, and gives those that differ; names of which none can be made stay.

    Who is known already keeps his id, however the name is written this time.
    """
    if "listener" not in table.headings:
        return {}
    place = table.headings.index("listener")
    known = {plain(each): each for each in listeners}
    ids = {}
    for row in table.rows:
        name = row[place].strip()
        made = name.lower() if re.fullmatch(ID_PATTERN, name.lower()) else slug(name)
        row[place] = known.get(plain(made), made) or name
        if row[place] != name:
            ids[name] = row[place]
    return ids


def _added(corpus: Corpus, table: TextTable, change: Change) -> tuple[dict[str, int], int]:
    """Verdicts added for each listener, and how many were there already."""
    relation = table.relation
    books: dict[str, EditableTable] = {}
    last: dict[str, dict[tuple[str, ...], tuple[str, ...]]] = {}
    added: dict[str, int] = {}
    known = 0
    columns = {column.name: table.column(column.name) for column in relation.written_columns}
    for place in range(len(table.rows)):
        row = {name: cells[place] or "" for name, cells in columns.items()}
        listener = row["listener"]
        if listener not in books:
            path = corpus.root / "reviews" / f"{listener}.csv"
            books[listener] = EditableTable.read(path, relation=relation)
            last[listener] = _last_of_each(books[listener])
        stretch, said = _cells(row, _STRETCH), _cells(row, _SAME)
        if last[listener].get(stretch) == said:
            known += 1
            continue
        last[listener][stretch] = said
        books[listener].append(row)
        added[listener] = added.get(listener, 0) + 1
    for listener in added:
        books[listener].into(change)
    return added, known


def _last_of_each(book: EditableTable) -> dict[tuple[str, ...], tuple[str, ...]]:
    """By stretch, what the listener's last verdict on it says."""
    last = {}
    for cells in book.rows[1:]:
        kept = dict(zip(book.rows[0], cells, strict=False))
        last[_cells(kept, _STRETCH)] = _cells(kept, _SAME)
    return last


def _cells(row: dict[str, str], names: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(row.get(name, "") for name in names)


def _unknown_sound(corpus: Corpus, table: TextTable, file: str) -> list[Problem]:
    """Verdicts on transfers that the catalogue does not know."""
    made = []
    cells = table.column("transfer_id")
    for place, transfer_id in enumerate(cells):
        if transfer_id and corpus.catalogue.row("transfer", transfer_id) is None:
            number = table.numbers[place]
            made.append(
                Problem(
                    file, number, "transfer_id", transfer_id, "is not in catalogue/transfer.csv",
                    "take the verdicts into the corpus that the page was made from", table="review",
                )
            )  # fmt: skip
    return made


def _contradictions(table: TextTable, file: str) -> list[Problem]:
    """Verdicts that say two things at once; each cell is right by itself."""
    made = []
    names = ("transfer_start_s", "transfer_end_s", "verdict", "kind")
    cells = zip(table.numbers, *(table.column(name) for name in names), strict=True)
    for number, start, end, verdict, kind in cells:
        if float(end or 0) <= float(start or 0):
            message = f"is not after transfer_start_s ({start})"
            made.append(Problem(file, number, "transfer_end_s", end or "", message, "exchange the two", table="review"))
        if kind and plain(verdict or "") != "slide":
            message, cure = f"is given though the verdict is {verdict}", "leave it empty, or mend the verdict"
            made.append(Problem(file, number, "kind", kind, message, cure, table="review"))
    return made


def sample_name(*, seed: int, number: int, content: str) -> str:
    """Id of a drawn sample: the same corpus state, seed and number give the same."""
    return f"sample-{seed}-{number}-{hashlib.sha256(content.encode()).hexdigest()[:8]}"


def code_of(listener: str, salt: str) -> str:
    """The code under which a listener goes out."""
    return f"listener-{hashlib.sha256((salt + listener).encode()).hexdigest()[:10]}"


def listeners_by_code(corpus: Corpus) -> dict[str, str]:
    """Listeners of the corpus by their codes, so that who went out under one is known when it comes back."""
    if not (corpus.root / SALT).exists():
        return {}
    salt = code_salt(corpus)
    return {code_of(listener, salt): listener for listener in _listeners(corpus)}


def code_salt(corpus: Corpus) -> str:
    """The secret with which listeners' codes are made: drawn once, then kept in ``SALT``.

    Raises
    ------
    DataError
        If the file holds nothing.
    """
    path = corpus.root / SALT
    if not path.exists():
        with changing(corpus.root, doing="export") as change:
            if not path.exists():
                change.put(path, f"{secrets.token_hex(16)}\n".encode(), was=None)
    salt = path.read_text(encoding="utf-8", errors="replace").strip()
    if not salt:
        raise DataError(f"{SALT}: is empty", "put it back, or delete it: then listeners get new codes")
    return salt
