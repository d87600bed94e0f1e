"""A few made rows as a database with all layers, for tests of views."""

from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.steps.results import result_tables
from pipeline.store import schema, views
from pipeline.store.dates import parse_date

FILLERS: dict[str, Any] = {
    "string": "x",
    "int64": 1,
    "double": 0.0,
    "float": 0.0,
    "boolean": True,
    "date": "2026-01-01",
    "list<string>": [],
}


def frame(table: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Rows of a base table: required columns not given are filled in, dates get their bounds."""
    relation = schema.load(table)
    made: list[dict[str, Any]] = []
    for row in rows:
        unknown = set(row) - {column.name for column in relation.columns}
        assert not unknown, f"{table} has no columns {unknown}"
        full: dict[str, Any] = {}
        for column in relation.written_columns:
            value = row.get(column.name, FILLERS[column.type] if column.required else None)
            if column.name not in row and column.required and column.values:
                value = column.values[0]
            full[column.name] = value
            if column.edtf:
                date = parse_date(value) if value is not None else None
                for other in relation.columns:
                    if other.computed_from == column.name:
                        attribute = other.name.removeprefix(column.name + "_")
                        full[other.name] = getattr(date, attribute) if date else None
        made.append(full)
    if not made:
        return relation.empty()
    return pl.DataFrame(made, schema=relation.polars_schema(), orient="row", strict=False)


def database(*, seed: int = 1, replicates: int = 200, **tables: list[dict[str, Any]]) -> duckdb.DuckDBPyConnection:
    """A connection with all layers over made rows; results computed as the step summarise does."""
    con = duckdb.connect()
    con.execute("set threads = 1").fetchall()
    sources = {name: frame(name, rows) for name, rows in tables.items()}
    views.create_layers(con, sources, layers=("base", "stage", "fact"))
    results = result_tables(con, seed=seed, replicates=replicates)
    views.create_layers(con, results, layers=("result", "summary", "check"))
    return con


def rows(con: duckdb.DuckDBPyConnection, view: str, *columns: str, order: str = "") -> list[tuple[Any, ...]]:
    """Rows of a view, sorted by all columns unless ``order`` is given."""
    layer, name = view.split(".")
    return con.execute(f'select {", ".join(columns)} from "{layer}"."{name}" order by {order or "all"}').fetchall()


def corpus_folder(folder: Path, **tables: list[dict[str, Any]]) -> Path:
    """A corpus folder that holds only a database of made rows."""
    (folder / "derived").mkdir(parents=True)
    sources = {name: frame(name, given) for name, given in tables.items()}
    with duckdb.connect() as con:
        con.execute(f"attach '{folder / 'derived' / 'corpus.duckdb'}' as corpus").fetchall()
        con.execute("use corpus").fetchall()
        views.create_layers(con, sources, layers=("base", "stage", "fact"), stored=views.STORED)
        results = result_tables(con, seed=1902, replicates=2000)
        views.create_layers(con, results, layers=("result", "summary", "check"))
    return folder
