"""Builds ``derived/corpus.duckdb``: native tables and views in layers, under a temporary name, then swapped in.

The file is tagged for DuckDB 1.5 and later. Readers that have the old file open keep it until they close it.
"""

import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import duckdb

from pipeline.store import schema
from pipeline.store.corpus import Corpus
from pipeline.store.database import views
from pipeline.store.database.compaction import Generation
from pipeline.store.database.views import FUNCTIONS, STORED, Source, query_files, quoted
from pipeline.store.files.durable import sync_folder, unwritten
from pipeline.store.provenance import hash_bytes_of, hash_value

STORAGE_VERSION = "v1.5.0"
# Beyond, DuckDB writes to disk what it does not need at once; sums by group need all takes in all their groups at once.
LEAST_MEMORY_MB, MEMORY_OF_TRANSFER_KB = 256, 20


def database_path(corpus: Corpus) -> Path:
    """Where the database lies."""
    return corpus.derived / "corpus.duckdb"


def build_database(corpus: Corpus, generation: Generation, *, threads: int = 1) -> Path:
    """Builds the database from the catalogue and a generation of compacted tables, and swaps it in.

    Raises
    ------
    DataError
        If a query does not run, a table breaks its schema, or the disk takes no more.
    """
    return Shape(corpus, threads=threads).fill(generation)


@contextmanager
def build_beside(corpus: Corpus) -> Iterator[Callable[[Generation], Path]]:
    """Begins a database while the block does other work; gives what builds the rest of it, as ``build_database``."""
    with ThreadPoolExecutor(1) as beside:
        begun = beside.submit(Shape, corpus)
        try:
            yield lambda generation: begun.result().fill(generation)
        finally:
            if not begun.cancel() and begun.exception() is None:
                begun.result().drop()


class Shape:
    """A database under a temporary name with all its tables, views and comments, which take long, and no rows yet."""

    def __init__(self, corpus: Corpus, *, threads: int = 1) -> None:
        self.corpus = corpus
        target = database_path(corpus)
        self.part = target.with_name(f".{target.name}.{os.getpid()}.tmp")
        self.spill = self.part.with_suffix(".spill")
        clear_parts(corpus)
        self.con = duckdb.connect(
            config={
                "threads": threads,
                "preserve_insertion_order": True,
                "memory_limit": memory_limit(corpus.catalogue.frame("transfer").height),
                "temp_directory": str(self.spill),
            }
        )
        with self._all_or_nothing():
            self.con.execute("set enable_progress_bar = false").fetchall()
            self.con.execute(
                f"attach {quoted(str(self.part))} as corpus (storage_version '{STORAGE_VERSION}')"
            ).fetchall()
            self.con.execute("use corpus").fetchall()
            self.con.execute("begin").fetchall()  # else each of some thousand comments is made safe on its own
            views.create_layers(self.con, {}, stored=STORED, filled=False)
            views.describe(self.con)

    def fill(self, generation: Generation) -> Path:
        """Puts the rows in, and swaps the database in; its path."""
        target = database_path(self.corpus)
        stamp = target.with_suffix(".stamp")
        with self._all_or_nothing():
            views.fill_layers(self.con, sources(self.corpus, generation), stored=STORED)
            self.con.execute("commit").fetchall()
            self.con.execute("checkpoint corpus").fetchall()
            self.con.execute("use memory").fetchall()
            self.con.execute("detach corpus").fetchall()
        self.con.close()
        shutil.rmtree(self.spill, ignore_errors=True)
        with self.part.open("rb+") as file:
            os.fsync(file.fileno())
        stamp.unlink(missing_ok=True)
        self.part.replace(target)
        stamp.write_text(content_stamp(self.corpus, generation), encoding="utf-8")
        sync_folder(target.parent)
        return target

    def drop(self) -> None:
        """Leaves nothing of it, if it has not been swapped in."""
        self.con.close()
        clear_parts(self.corpus)

    @contextmanager
    def _all_or_nothing(self) -> Iterator[None]:
        try:
            yield
        except BaseException as error:
            self.drop()
            if isinstance(error, duckdb.Error):  # queries that fail say so themselves; this is the disk
                raise unwritten(database_path(self.corpus), error) from error
            raise


def memory_limit(transfers: int) -> str:
    """What building a database of so many transfers may take, as DuckDB reads it."""
    return f"{max(LEAST_MEMORY_MB, MEMORY_OF_TRANSFER_KB * transfers // 1000)}MB"


def is_current(corpus: Corpus, generation: Generation) -> bool:
    """Whether the database holds what catalogue, tables, queries and schemas now hold."""
    stamp = database_path(corpus).with_suffix(".stamp")
    try:
        same = stamp.read_text(encoding="utf-8") == content_stamp(corpus, generation)
    except OSError:
        return False
    return same and database_path(corpus).exists()


def content_stamp(corpus: Corpus, generation: Generation) -> str:
    """Hash of all that goes into the database."""
    return hash_value(
        {
            "generation": generation.folder.name,
            "kept": corpus.catalogue.hashes,
            "queries": {
                f"{layer}/{path.stem}": hash_bytes_of(path)
                for layer in schema.LAYERS
                if layer not in ("base", "result")
                for path in query_files(layer)
            },
            "functions": hash_bytes_of(FUNCTIONS),
            "schemas": repr(schema.relations()),
        }
    )


def sources(corpus: Corpus, generation: Generation) -> Mapping[str, Source]:
    """Rows of every table of the database: hand-kept ones as frames, computed ones as compacted files."""
    found: dict[str, Source] = {table: generation.paths(table) for table in generation.tables}
    for relation in schema.hand_kept():
        found[relation.name] = corpus.catalogue.frame(relation.name)
    return found


def clear_parts(corpus: Corpus) -> None:
    """Removes unfinished databases, which a killed run may have left."""
    for path in corpus.derived.glob(".corpus.duckdb.*"):
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
