"""Makes the tables and views of the corpus database in a DuckDB connection, layer by layer.

``base`` and ``result`` hold tables, typed by ``schemas/``; every other layer holds one view for each file
``queries/<layer>/<name>.sql``, which is a bare ``select``. A view reads its own layer and those below it; what it
reads, and so the order within a layer, is told by its SQL as DuckDB itself parses it. Layers in ``STORED`` are kept
as tables in the database file, so that a summary of millions of slides answers at once; their contents are those of
the view. Of these, a relation whose schema says ``stored = false`` stays a view, since it repeats what others hold.
"""

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import resources
from pipeline.errors import DataError
from pipeline.store import schema
from pipeline.store.schema import LAYERS, Relation

TABLE_LAYERS = ("base", "result")
VIEW_LAYERS = tuple(layer for layer in LAYERS if layer not in TABLE_LAYERS)
STORED = ("base", "stage", "fact", "tally", "result")
# Hundreds of millions of rows: read through ``open_corpus``, one transfer at a time.
PER_TRANSFER = ("pitch_frame", "other_frame", "speed_curve")

FUNCTIONS = resources.folder("queries") / "functions.sql"

Source = pl.DataFrame | Sequence[Path]
Name = tuple[str, str]
"""Layer and name of a table or view."""


def create_layers(
    con: duckdb.DuckDBPyConnection,
    sources: Mapping[str, Source],
    *,
    layers: Sequence[str] = LAYERS,
    stored: Collection[str] = (),
    filled: bool = True,
) -> None:
    """Make the tables and views of ``layers``, lowest first; see ``create_tables`` and ``create_views``."""
    for layer in layers:
        if layer in TABLE_LAYERS:
            create_tables(con, sources, layer=layer, stored=layer in stored)
        else:
            create_views(con, layers=(layer,), stored=stored, filled=filled)


def fill_layers(
    con: duckdb.DuckDBPyConnection,
    sources: Mapping[str, Source],
    *,
    layers: Sequence[str] = LAYERS,
    stored: Collection[str] = (),
) -> None:
    """Put rows into the tables of ``layers`` that ``create_layers`` has made without ``filled`` or ``sources``."""
    for layer in layers:
        if layer in TABLE_LAYERS:
            for relation in schema.relations(layer):
                if relation.name in sources and relation.name not in PER_TRANSFER:
                    _fill(con, relation, sources[relation.name])
        elif layer in stored:
            for name in in_order((layer, path.stem) for path in query_files(layer)):
                if schema.load(name[1], layer).stored:
                    with _named(name):
                        con.execute(f'insert into "{layer}"."{name[1]}"\n{query(name)}').fetchall()


def create_tables(
    con: duckdb.DuckDBPyConnection, sources: Mapping[str, Source], *, layer: str = "base", stored: bool = True
) -> None:
    """Make every declared table of a layer; empty and typed where ``sources`` has none.

    Parameters
    ----------
    sources : rows by table name: a frame, or Parquet files written by the corpus. Columns that may be empty may
        be missing.
    stored : rows of files are copied; else the files are read each time that the table is asked for.

    Raises
    ------
    DataError
        If a frame has undeclared columns or values of another type.
    """
    con.execute(f'create schema if not exists "{layer}"').fetchall()
    for relation in schema.relations(layer):
        if relation.name in PER_TRANSFER:
            continue
        source = sources.get(relation.name)
        name = f'"{layer}"."{relation.name}"'
        files = [] if source is None or isinstance(source, pl.DataFrame) else [str(path) for path in source]
        columns = ", ".join(f'"{column.name}"' for column in relation.columns)
        if files and not stored:
            listed = ", ".join(map(quoted, files))
            con.execute(f"create view {name} as select {columns} from read_parquet([{listed}])").fetchall()
            continue
        rows = source if isinstance(source, pl.DataFrame) else relation.empty()
        _write(con, relation, rows, f"create table {name} as")
        if files:
            _fill(con, relation, source or ())


def _fill(con: duckdb.DuckDBPyConnection, relation: Relation, source: Source) -> None:
    name = f'"{relation.layer}"."{relation.name}"'
    if isinstance(source, pl.DataFrame):
        if source.height:
            _write(con, relation, source, f"insert into {name}")
    elif source:
        columns = ", ".join(f'"{column.name}"' for column in relation.columns)
        files = [str(path) for path in source]
        con.execute(f"insert into {name} select {columns} from read_parquet($files)", {"files": files}).fetchall()


def _write(con: duckdb.DuckDBPyConnection, relation: Relation, frame: pl.DataFrame, to: str) -> None:
    cast, violations = relation.cast(frame)
    if violations:
        raise DataError("\n".join(f"{relation.name}: {v.column} {v.value} {v.message}" for v in violations[:20]))
    con.register("rows_to_write", cast)
    con.execute(f"{to} select * from rows_to_write").fetchall()
    con.unregister("rows_to_write")


def create_views(
    con: duckdb.DuckDBPyConnection,
    *,
    layers: Sequence[str] = VIEW_LAYERS,
    stored: Collection[str] = (),
    filled: bool = True,
    only: Collection[Name] | None = None,
) -> None:
    """Make one view for each file of ``queries/<layer>/``.

    Parameters
    ----------
    stored : layers that are written as tables instead of views.
    filled : False leaves these tables empty, for ``fill_layers``.
    only : layer and name of the views wanted; None for all of the layers.

    Raises
    ------
    DataError
        If a query does not run on the layers below it; names the file.
    """
    con.execute(FUNCTIONS.read_text(encoding="utf-8")).fetchall()
    for layer in layers:
        con.execute(f'create schema if not exists "{layer}"').fetchall()
        names = [(layer, path.stem) for path in query_files(layer)]
        for name in in_order(names if only is None else [name for name in names if name in only]):
            relation = schema.load(name[1], layer)
            kind = "table" if layer in stored and relation.stored else "view"
            rows = "" if filled or kind == "view" else "\nwith no data"
            with _named(name):
                con.execute(f'create {kind} "{layer}"."{relation.name}" as\n{query(name)}{rows}').fetchall()


@contextmanager
def _named(name: Name) -> Iterator[None]:
    """An error of a query, with its file."""
    try:
        yield
    except duckdb.Error as error:
        raise DataError(f"queries/{name[0]}/{name[1]}.sql: {error}", "mend the query or its tables") from error


def describe(con: duckdb.DuckDBPyConnection) -> None:
    """Give every declared table and view, and their columns, what the schemas say of them as comments.

    For a database that people open: some thousand comments cost more than an empty corpus's views themselves.
    """
    tables = set(con.execute("select schema_name, table_name from duckdb_tables()").fetchall())
    for relation in schema.relations():
        if relation.name not in PER_TRANSFER:
            _describe(con, relation, "table" if (relation.layer, relation.name) in tables else "view")


def query(name: Name) -> str:
    """The SQL of a view; empty for a table."""
    path = resources.folder("queries") / name[0] / f"{name[1]}.sql"
    return path.read_text(encoding="utf-8").strip() if path.is_file() else ""


def reads(name: Name) -> frozenset[Name]:
    """The tables and views that a view's SQL names."""
    return _names(query(name))


@cache
def _names(text: str) -> frozenset[Name]:
    if not text:
        return frozenset()
    ((tree,),) = _parser().execute("select json_serialize_sql($1)", [text]).fetchall()
    return frozenset(_tables(json.loads(tree)))


def _tables(node: Any) -> Iterator[Name]:
    """The tables in a parsed statement; those of no layer are its own common table expressions."""
    if isinstance(node, dict):
        if node.get("type") == "BASE_TABLE" and node["schema_name"] in LAYERS:
            yield node["schema_name"], node["table_name"]
        node = list(node.values())
    for part in node if isinstance(node, list) else ():
        yield from _tables(part)


@cache
def _parser() -> duckdb.DuckDBPyConnection:
    return duckdb.connect(config={"threads": 1})


def rests_on(name: Name) -> frozenset[Name]:
    """All that a view reads, and what that reads in turn, down to the tables."""
    found: set[Name] = set()
    waiting = [name]
    while waiting:
        more = reads(waiting.pop()) - found
        found |= more
        waiting += more
    return frozenset(found)


def in_order(names: Iterable[Name]) -> list[Name]:
    """The views, each after those of them that it reads."""
    known = sorted(names)
    return list(TopologicalSorter({name: sorted(reads(name) & set(known)) for name in known}).static_order())


def query_files(layer: str) -> list[Path]:
    """The SQL files of a layer, by name."""
    return sorted((resources.folder("queries") / layer).glob("*.sql"))


def _describe(con: duckdb.DuckDBPyConnection, relation: Relation, kind: str) -> None:
    name = f'"{relation.layer}"."{relation.name}"'
    statements = [f"comment on {kind} {name} is {quoted(f'{relation.description} Grain: {relation.grain}.')}"]
    for column in relation.columns:
        unit = f" [{column.unit}]" if column.unit else ""
        statements.append(f'comment on column {name}."{column.name}" is {quoted(column.description + unit)}')
    con.execute(";\n".join(statements)).fetchall()


def quoted(text: str) -> str:
    """A text as SQL writes it."""
    return "'" + text.replace("'", "''") + "'"
