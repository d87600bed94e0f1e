"""Builds ``derived/corpus.duckdb``: native tables and views in layers, under a temporary name, then swapped in.

The file is tagged for DuckDB 1.5 and later. Readers that have the old file open keep it until they close it.
"""

import os
import shutil
from collections.abc import Mapping
from pathlib import Path

import duckdb

from pipeline.store import schema
from pipeline.store.corpus import Corpus
from pipeline.store.database.compaction import Generation
from pipeline.store.database.views import FUNCTIONS, STORED, Source, create_layers, describe, query_files
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
    target = database_path(corpus)
    stamp = target.with_suffix(".stamp")
    part = target.with_name(f".{target.name}.{os.getpid()}.tmp")
    clear_parts(corpus)
    spill = part.with_suffix(".spill")
    con = duckdb.connect(
        config={
            "threads": threads,
            "preserve_insertion_order": True,
            "memory_limit": memory_limit(corpus.catalogue.frame("transfer").height),
            "temp_directory": str(spill),
        }
    )
    try:
        con.execute("set enable_progress_bar = false").fetchall()
        quoted = str(part).replace("'", "''")
        con.execute(f"attach '{quoted}' as corpus (storage_version '{STORAGE_VERSION}')").fetchall()
        con.execute("use corpus").fetchall()
        con.execute("begin").fetchall()  # else each of some thousand comments is made safe on its own
        create_layers(con, sources(corpus, generation), stored=STORED)
        describe(con)
        con.execute("commit").fetchall()
        con.execute("checkpoint corpus").fetchall()
        con.execute("use memory").fetchall()
        con.execute("detach corpus").fetchall()
    except BaseException as error:
        con.close()
        clear_parts(corpus)
        if isinstance(error, duckdb.Error):  # queries that fail say so themselves; this is the disk
            raise unwritten(target, error) from error
        raise
    con.close()
    shutil.rmtree(spill, ignore_errors=True)
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    stamp.unlink(missing_ok=True)
    part.replace(target)
    stamp.write_text(content_stamp(corpus, generation), encoding="utf-8")
    sync_folder(target.parent)
    return target


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
