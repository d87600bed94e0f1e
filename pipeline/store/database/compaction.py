"""Compacts the per-transfer tables into reading files, and finds what has changed since.

``derived/compacted/CURRENT`` names a generation, a folder with ``<table>/<bucket>.parquet`` and a manifest. A
transfer's bucket comes from its id alone, so a changed transfer rewrites one bucket of each of its tables; the
others are taken over as links. A generation is complete before CURRENT names it, and the one before stays until
the next, for readers who have opened it.
"""

import hashlib
import json
import os
import re
import shutil
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import DataError
from pipeline.store import schema
from pipeline.store.corpus import Corpus, computed, read_parquet, write_parquet
from pipeline.store.files.durable import replacing, sync_folder
from pipeline.store.provenance import hash_value
from pipeline.store.schema.arrow_tables import arrow_of

# Hundreds of millions of rows: these stay one file for each transfer.
LARGE = ("pitch_frame", "other_frame", "speed_curve")
BUCKET_TRANSFERS = 256
_ENDING = ".parquet"
_NAME = re.compile("[0-9a-f]{16}")

Stamp = str  # size and time of a file as one text: there are millions of them at once
Before = tuple[Path, Mapping[str, Stamp]]  # a reading file of the generation before, and what went into it
Spread = Callable[[Callable[[Any], Any], Iterable[Any]], Iterable[Any]]


@dataclass(frozen=True)
class Generation:
    """A finished generation: its folder, and for each table and bucket the stamps of the files that went in.

    ``large``: stamps of the files of the tables that are not compacted, as they stood then.
    """

    folder: Path
    buckets: int
    tables: Mapping[str, Mapping[str, Mapping[str, Stamp]]]
    large: Mapping[str, Mapping[str, Stamp]]

    def paths(self, table: str) -> list[Path]:
        """The reading files of a table, in order of bucket."""
        return [self.folder / table / f"{bucket}.parquet" for bucket in sorted(self.tables.get(table, {}))]

    def stamps(self, table: str) -> dict[str, Stamp]:
        """Transfer id -> size and time of the file that went in, or that stood then."""
        if table in self.large:
            return dict(self.large[table])
        return {t: stamp for bucket in self.tables.get(table, {}).values() for t, stamp in bucket.items()}


@dataclass(frozen=True)
class _Merge:
    """One reading file to write: its table, what goes into it, and from where what stays may be taken."""

    table: str
    files: Mapping[str, Stamp]
    target: Path
    before: Before | None


def compacted_tables() -> list[str]:
    """Names of all computed tables that are compacted, sorted."""
    named = [*schema.relations("base"), *schema.relations("result")]
    return sorted(r.name for r in named if r.kept == "computed" and r.name not in LARGE)


def current(corpus: Corpus) -> Generation | None:
    """The generation to read; None if there is none yet, it was written in another form, or a file's size differs."""
    root = corpus.derived / "compacted"
    try:
        name = (root / "CURRENT").read_text(encoding="utf-8").strip()
        if not _NAME.fullmatch(name):  # a stranger's may lead out of the corpus
            return None
        folder = root / name
        generation, sizes = _generation(folder, (folder / "manifest.json").stat().st_mtime_ns)
        whole = all((folder / file).stat().st_size == size for file, size in sizes.items())
    except (OSError, ValueError, KeyError):
        return None
    return generation if whole else None


@lru_cache(maxsize=2)
def _generation(folder: Path, mtime_ns: int) -> tuple[Generation, Mapping[str, int]]:
    """The generation as its manifest of that time tells it, and the sizes of its files."""
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    if not all(bucket.isdecimal() for parts in manifest["stamps"].values() for bucket in parts):
        raise ValueError("a bucket that is none")
    return Generation(folder, manifest["buckets"], manifest["stamps"], manifest["large"]), manifest["sizes"]


def stamps(corpus: Corpus, table: str) -> dict[str, Stamp]:
    """Transfer id -> size and time of each file of a table as it stands on disk."""
    return {transfer_id: stamp(entry) for transfer_id, entry in _files(corpus, table)}


def stamp(file: Path | os.DirEntry[str]) -> Stamp:
    """Size and time of a file as it stands on disk."""
    status = file.stat()
    return f"{status.st_size} {status.st_mtime_ns}"


def size_of(stood: Stamp) -> str:
    """The size that a stamp tells."""
    return stood.partition(" ")[0]


def _files(corpus: Corpus, table: str) -> Iterator[tuple[str, os.DirEntry[str]]]:
    folder = corpus.derived / "tables" / table
    if folder.is_dir():
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.name.endswith(_ENDING) and not entry.name.startswith("."):
                    yield sys.intern(entry.name[: -len(_ENDING)]), entry  # one text for all tables


def compact(
    corpus: Corpus, *, seen: Mapping[str, Mapping[str, Stamp]] | None = None, spread: Spread = map
) -> Generation:
    """Makes a generation of all tables as they stand; returns the current one if nothing has changed.

    Parameters
    ----------
    seen : stamps of tables whose files have been looked at already, and have not changed since.
    spread : does the work, like ``map``, perhaps in several processes.
    """
    seen = seen or {}
    there = {table: seen[table] if table in seen else stamps(corpus, table) for table in compacted_tables()}
    large = {table: seen[table] if table in seen else stamps(corpus, table) for table in LARGE}
    old = current(corpus)
    most = max((len(files) for files in there.values()), default=0)
    buckets = 1
    while buckets * BUCKET_TRANSFERS < most:
        buckets *= 2
    tables = {table: _buckets(files, buckets) for table, files in there.items()}
    if old is not None and old.tables == tables and old.large == large:
        return old
    root = corpus.derived / "compacted"
    name = hash_value({"buckets": buckets, "tables": tables, "large": large})[:16]
    folder = root / name
    shutil.rmtree(folder, ignore_errors=True)  # left by a run that was killed here
    merges: list[_Merge] = []
    for table, parts in tables.items():
        (folder / table).mkdir(parents=True)
        for bucket, files in parts.items():
            target = folder / table / f"{bucket}.parquet"
            stood = old.tables.get(table, {}).get(bucket) if old and old.buckets == buckets else None
            before = (old.folder / table / f"{bucket}.parquet", stood) if old and stood is not None else None
            if before is not None and stood == files:
                _link(before[0], target)
            else:
                merges.append(_Merge(table, files, target, before))
    list(spread(partial(_merge, corpus.root), merges))
    for table in tables:
        sync_folder(folder / table)
    sizes = {f"{path.parent.name}/{path.name}": path.stat().st_size for path in sorted(folder.glob("*/*.parquet"))}
    manifest = {"buckets": buckets, "stamps": tables, "large": large, "sizes": sizes}
    with replacing(folder / "manifest.json") as part:
        part.write_text(json.dumps(manifest, sort_keys=True), encoding="utf-8")
    with replacing(root / "CURRENT") as part:
        part.write_text(name + "\n", encoding="utf-8")
    keep = {name, old.folder.name if old else ""}
    for other in root.iterdir():
        if other.is_dir() and other.name not in keep:
            shutil.rmtree(other, ignore_errors=True)
    return Generation(folder, buckets, tables, large)


def frames(
    corpus: Corpus, table: str, *, columns: list[str] | None = None, files_at_once: int = 500
) -> Iterator[pl.DataFrame]:
    """A table with a column transfer_id, of all transfers as it stands now, in pieces.

    Reads the compacted files where they are up to date, else the per-transfer files.
    """
    there = stamps(corpus, table)
    generation = current(corpus)
    fresh: set[str] = set()
    for bucket, files in (generation.tables.get(table, {}) if generation else {}).items():
        same = {t for t, stood in files.items() if there.get(t) == stood}
        if same and generation is not None:
            fresh |= same
            frame = _read([generation.folder / table / f"{bucket}.parquet"], columns, corpus)
            yield frame if len(same) == len(files) else frame.filter(pl.col("transfer_id").is_in(sorted(same)))
    late = [corpus.path(table, t) for t in sorted(there.keys() - fresh)]
    for start in range(0, len(late), files_at_once):
        yield _read(late[start : start + files_at_once], columns, corpus)


def _read(paths: list[Path], columns: list[str] | None, corpus: Corpus) -> pl.DataFrame:
    """All rows of these files; DataError naming the first that is damaged."""
    try:
        return pl.read_parquet(paths, columns=columns)
    except pl.exceptions.PolarsError as error:
        for path in paths:
            try:
                pq.ParquetFile(path)
            except (pa.ArrowException, OSError) as reason:
                raise DataError(f"{corpus.relative(path)}: is damaged ({reason})", "delete it and run again") from error
        raise


def _buckets(files: Mapping[str, Stamp], buckets: int) -> dict[str, dict[str, Stamp]]:
    found: dict[str, dict[str, Stamp]] = {}
    for transfer_id, stood in files.items():
        found.setdefault(_bucket(transfer_id, buckets), {})[transfer_id] = stood
    return dict(sorted(found.items()))


@lru_cache(maxsize=200_000)
def _bucket(transfer_id: str, buckets: int) -> str:
    return f"{int(hashlib.sha256(transfer_id.encode()).hexdigest()[:8], 16) % buckets:05d}"


def _link(old: Path, new: Path) -> None:
    try:
        os.link(old, new)
    except OSError:  # a file system without links
        shutil.copyfile(old, new)


def _merge(root: Path, merge: _Merge) -> None:
    """Writes one reading file; what has not changed since the one before is taken from there."""
    corpus, table, files, before = Corpus(root), merge.table, merge.files, merge.before
    relation = computed(table)
    types = relation.arrow_schema()
    kept: set[str] = set()
    tables: list[pa.Table] = []
    if before is not None and "transfer_id" in types.names:
        path, stood = before
        kept = {t for t, now in files.items() if stood.get(t) == now}
        merged_before = read_parquet(path) if kept else None
        if merged_before is not None and merged_before.column_names == types.names:
            tables.append(_arrow(_frame(merged_before).filter(pl.col("transfer_id").is_in(kept)), types))
        else:
            kept = set()
    read = (corpus.read_arrow(table, t) for t in sorted(files) if t not in kept)  # says so if one is damaged
    # Other columns are those of another version, whose step has not made the table anew yet: as good as not there.
    of_now = (found for found in read if found is not None and found.column_names == types.names)
    none = pa.Table.from_batches([], schema=types)  # ``empty_table`` would load pandas
    merged = pa.concat_tables([none, *tables, *(found.cast(types) for found in of_now)])
    if kept:
        merged = _arrow(_frame(merged).sort("transfer_id", maintain_order=True), types)
    with replacing(merge.target) as part:
        write_parquet(merged.combine_chunks(), part)


def _frame(table: pa.Table) -> pl.DataFrame:
    return pl.DataFrame(pl.from_arrow(table))


def _arrow(frame: pl.DataFrame, types: pa.Schema) -> pa.Table:
    return arrow_of(frame).cast(types)
