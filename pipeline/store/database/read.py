"""Reads ``derived/corpus.duckdb`` without being able to change it, or to reach anything outside it."""

import re
from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path

import duckdb
import polars as pl

from pipeline.errors import DataError, UsageError, no_such_folder, typed
from pipeline.store import schema
from pipeline.store.catalogue.problems import did_you_mean
from pipeline.store.database.asking import MEMORY, as_plain, attended, pieces_of
from pipeline.store.database.views import PER_TRANSFER
from pipeline.store.files.paths import leads_out
from pipeline.store.schema import Relation

# Where a bare name is looked for first.
SEARCHED = ("summary", "export", "fact", "stage", "check", "result", "base")


def database_file(root: Path) -> Path:
    """The corpus's database.

    Raises
    ------
    DataError
        If there is no corpus, it has not been run yet, or its database is a link out of it.
    """
    path = Path(root) / "derived" / "corpus.duckdb"
    if not Path(root).is_dir():
        raise no_such_folder(root)
    if not path.is_file():
        raise DataError(f"{root}: nothing has been measured yet", f"run: glideline run {typed(root)}")
    if leads_out(path, root=Path(root)):
        raise DataError(
            f"{path}: is a link that leads out of the corpus", f"delete it, then: glideline run {typed(root)}"
        )
    return path


def open_read_only(root: Path) -> duckdb.DuckDBPyConnection:
    """A connection that can only read the corpus's database: no files, no settings, no writing."""
    con = open_beside(root)
    con.execute("use corpus").fetchall()
    # A bare name finds the view that `glideline query` would show. A stranger's database may lack layers.
    there = {name for (name,) in con.execute("select schema_name from duckdb_schemas()").fetchall()}
    path = ",".join(f"corpus.{layer}" for layer in SEARCHED if layer in there)
    con.execute(f"set search_path = '{path or 'corpus'}'").fetchall()
    return con


def open_beside(root: Path) -> duckdb.DuckDBPyConnection:
    """A connection to an empty database in memory, with the corpus's attached read-only as ``corpus``.

    Raises
    ------
    DataError
        If the database is missing, cannot be opened, or lacks tables or columns.
    """
    path = database_file(root)
    quoted = str(path).replace("'", "''")
    # In memory each connection has settings of its own, so that locking one leaves others alone.
    con = duckdb.connect(config={"memory_limit": MEMORY})
    con.execute("set enable_progress_bar = false").fetchall()  # it would be drawn among the rows
    try:
        con.execute(f"attach '{quoted}' as corpus (read_only, type duckdb)").fetchall()
    except duckdb.Error as error:
        con.close()
        raise DataError(
            f"{path}: cannot be opened ({error})", f"make it anew with: glideline run {typed(root)}"
        ) from error
    lock(con)
    if lacking := _lacking(con):
        con.close()
        raise DataError(
            f"{path}: was made by another version of Glideline ({lacking})",
            f"make it anew with: glideline run {typed(root)}",
        )
    return con


def _lacking(con: duckdb.DuckDBPyConnection) -> str:
    """What the attached database lacks of what a run would make, in words; empty if nothing."""
    told = con.execute(
        "select schema_name, table_name, list(column_name) from duckdb_columns() "
        "where database_name = 'corpus' and not internal group by all"
    ).fetchall()
    there = {(layer, name): set(columns) for layer, name, columns in told}
    if not any(layer == "base" for layer, _ in there):
        return ""  # not made by a run: whoever made it may ask for what it has
    for relation in schema.relations():
        if relation.name in PER_TRANSFER:
            continue
        columns = there.get((relation.layer, relation.name))
        if columns is None:
            return f"it has no {relation.layer}.{relation.name}"
        for column in relation.columns:
            if column.name not in columns:
                return f"its {relation.layer}.{relation.name} has no {column.name}"
    return ""


def lock(con: duckdb.DuckDBPyConnection) -> None:
    """Switch off files (those for spilling too), extensions and further settings for good."""
    con.execute("set temp_directory = ''").fetchall()
    con.execute("set enable_external_access = false").fetchall()
    con.execute("set lock_configuration = true").fetchall()


def find_view(name: str) -> Relation:
    """The view or table of that name, with or without its layer.

    Raises
    ------
    UsageError
        If there is none; names the nearest.
    """
    layer, _, bare = name.rpartition(".")
    known = {(relation.layer, relation.name): relation for relation in schema.relations()}
    for each in (layer,) if layer else SEARCHED:
        if (each, bare) in known:
            return known[each, bare]
    near = get_close_matches(bare, [view for _, view in known], n=3)
    hint = f"did you mean {' or '.join(near)}?" if near else "all are listed by: glideline dictionary"
    raise UsageError(f"no view or table {name!r}", hint)


def run_sql(con: duckdb.DuckDBPyConnection, text: str) -> pl.DataFrame:
    """The rows of one statement of the user's own; see ``sql_pieces``."""
    return pl.concat(sql_pieces(con, text))


def sql_pieces(con: duckdb.DuckDBPyConnection, text: str) -> Iterator[pl.DataFrame]:
    """The rows of one statement of the user's own, piece by piece.

    Raises
    ------
    UsageError
        If it is not one statement, does not run, needs too much memory, cannot be shown, or would change or reach
        something.
    """
    _require_text(text, "--sql")
    try:
        statements = con.extract_statements(text)
        if len(statements) != 1:
            raise UsageError("--sql takes one statement", f"these are {len(statements)}")
        yield from pieces_of(con, text)
    except duckdb.Error as error:
        raise UsageError(f"SQL: {error}{_sql_cure(str(error), text)}") from error


def rows_of(
    con: duckdb.DuckDBPyConnection, relation: Relation, *, where: str | None = None, most: int | None = None
) -> pl.DataFrame:
    """Rows of a view, sorted by its key, numbers in it by size: bar 2 before bar 10.

    ``where`` is a condition on finished rows; ``most``: how many are wanted, None for all.

    Raises
    ------
    UsageError
        If the condition does not run.
    DataError
        If the database lacks the view, or is damaged.
    """
    texts = {column.name for column in relation.columns if column.type == "string"}
    order = ", ".join(_by_size(name) if name in texts else f'"{name}" nulls last' for name in relation.key) or "all"
    text = f'select * from "{relation.layer}"."{relation.name}"'
    if where is not None:
        _require_text(where, "--where")
        text += f" where ({where}\n)"
    try:
        if len(con.extract_statements(text)) != 1:
            raise UsageError(f"--where {where!r} is not one condition")
        text += f" order by {order}" + ("" if most is None else f" limit {most}")
        return attended(con, lambda: as_plain(con.sql(text).pl()))
    except duckdb.Error as error:
        if where is None:
            cure = "it is of another version or damaged; make it anew with: glideline run DIR"
            raise DataError(
                f"corpus.duckdb: {relation.layer}.{relation.name} cannot be read ({error})", f"{cure}"
            ) from error
        raise UsageError(f"--where {where!r}: {_of_condition(str(error), relation)}") from error


def _of_condition(said: str, relation: Relation) -> str:
    """What is wrong with a condition, in our words where it is a name that is no column."""
    if missing := re.search(r'Referenced column "([^"]+)" not found', said):
        names = [column.name for column in relation.columns]
        near = did_you_mean(missing[1], names, otherwise=f"its columns: glideline dictionary {relation.name}")
        return f"{relation.name} has no column {missing[1]!r} (text stands in single quotes); {near}"
    return re.sub(r"^\w+ Error: ", "", said).split("\n\nLINE", 1)[0]


def _by_size(name: str) -> str:
    """Sorts a text by the numbers in it as numbers; what differs in spelling alone, by that."""
    parts = f"regexp_extract_all(\"{name}\", '[0-9]+|[^0-9]+')"
    padded = f"list_transform({parts}, lambda part: if(part between '0' and ':', lpad(part, 12, '0'), part))"
    return f'{padded} nulls last, "{name}"'


def _sql_cure(said: str, text: str) -> str:
    """What to write instead, on a line of its own."""
    if re.match(r"\s*(alter|create|delete|drop|insert|merge|truncate|update)\b", text, re.IGNORECASE):
        return "\n--sql is read only: it takes a select. The catalogue is changed in its CSV files, then: glideline run"
    if re.search(r"(?:Table|View) with name \w+ does not exist", said):
        return "\nAll tables and views are listed by: glideline dictionary"
    return ""


def _require_text(text: str, option: str) -> None:
    """A terminal may hand on bytes that are no text; DuckDB's own word on them is no help."""
    try:
        text.encode()
    except UnicodeEncodeError as error:
        place = error.start + 1
        raise UsageError(
            f"{option}: character {place} is not UTF-8", "set the terminal to UTF-8, or type it anew"
        ) from error
