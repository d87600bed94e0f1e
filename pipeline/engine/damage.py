"""The files of ``derived/tables`` as they stand, and which of them are not what their row of ``run`` says.

A file that the last compaction took in, and that has kept its size and time since, is taken to be sound. Any other
is held against the hash in its row, so that damage is found without reading the whole corpus at every run. What
changes neither size nor time is found when a step reads it, or by ``--rehash``.
"""

import os
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

import pyarrow as pa

from pipeline.engine.jobs import Brief
from pipeline.steps.base import AnyStep
from pipeline.store.corpus import Corpus, read_parquet
from pipeline.store.database.compaction import Stamp, current, size_of, stamps
from pipeline.store.provenance import hash_bytes_of

Files = dict[str, dict[str, Stamp]]
Table = tuple[str, str]  # name and transfer
MOST_TO_ASK = 1000  # files that are hashed to answer a question; a run looks at all that it must


def table_files(corpus: Corpus, steps: Iterable[AnyStep]) -> Files:
    """By table that a step writes and by transfer, size and time of the files that exist."""
    return {table: stamps(corpus, table) for table in sorted({t for step in steps for t in step.writes} | {"run"})}


def damaged(
    corpus: Corpus, book: Mapping[str, Mapping[str, Brief]], files: Files, *, most: int | None = None
) -> set[Table]:
    """Tables whose files are not what their rows say, as far as size and time give reason to look.

    ``most``: with more files to look at than this, as after a copy, only those of another size are looked at.
    """
    generation = current(corpus)
    known = {table: generation.stamps(table) if generation else {} for table in files}
    changed = {
        table: {t for t, now in of_table.items() if known[table].get(t) != now} for table, of_table in files.items()
    }
    suspects = [
        (table, transfer_id, sha256)
        for transfer_id in sorted(set[str]().union(*changed.values()) & book.keys())
        for row in book[transfer_id].values()
        for table, sha256 in row.outputs.items()
        if transfer_id in changed.get(table, ())
    ]
    if most is not None and len(suspects) > most:
        sizes = [(size_of(files[table][t]), size_of(known[table].get(t, files[table][t]))) for table, t, _ in suspects]
        suspects = [suspect for suspect, (now, before) in zip(suspects, sizes, strict=True) if now != before][:most]
    return {(table, t) for table, t, sha256 in suspects if hash_bytes_of(corpus.path(table, t)) != sha256}


def unfinished(corpus: Corpus) -> Iterator[Path]:
    """Files that a run which was killed had not finished."""
    for folder in (corpus.derived / "tables").glob("*/"):
        with os.scandir(folder) as entries:
            yield from [folder / e.name for e in entries if e.name.startswith(".") and e.name.endswith(".tmp")]


def damaged_rows(corpus: Corpus, files: Mapping[str, Stamp]) -> Iterator[str]:
    """Transfers whose file of ``run`` cannot be read, among those new or changed since the last compaction."""
    generation = current(corpus)
    known = generation.stamps("run") if generation else {}
    for transfer_id, stamp in files.items():
        if known.get(transfer_id) != stamp:
            try:
                read_parquet(corpus.path("run", transfer_id))
            except (pa.ArrowException, OSError):
                yield transfer_id


def take_away(corpus: Corpus, tables: Iterable[Table], files: Files) -> None:
    """Deletes tables that are damaged, so that their steps make them anew."""
    for table, transfer_id in sorted(tables):
        corpus.path(table, transfer_id).unlink(missing_ok=True)
        files[table].pop(transfer_id, None)
