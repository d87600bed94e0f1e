"""Asks the database within bounds: piece by piece, with so much memory, and heard when the user says stop."""

import threading
from collections.abc import Callable, Iterator
from typing import Any, TypeVar

import duckdb
import polars as pl
import pyarrow as pa

from pipeline.errors import UsageError

# What the widest summary of 40 million slides of 400,000 takes needs, a row for each player, work and label (trial).
MEMORY = "3GB"
PIECE_ROWS = 50_000
T = TypeVar("T")


def pieces_of(con: duckdb.DuckDBPyConnection, text: str) -> Iterator[pl.DataFrame]:
    """The rows of one statement as frames of at most ``PIECE_ROWS``; an empty one if there are none.

    Raises
    ------
    UsageError
        If it needs more than ``MEMORY``, or its types cannot be shown.
    KeyboardInterrupt
        At once, if the user interrupts.
    """
    relation = attended(con, lambda: con.sql(text))
    if relation is None:
        yield pl.DataFrame()
        return
    reader = attended(con, lambda: _reader(relation))
    try:
        for field in reader.schema:
            if kind := _not_held(field.type):
                is_or_holds = "is" if pa.types.is_interval(field.type) else "holds"
                raise _not_shown(f"{field.name} {is_or_holds} {kind}")
        # Not the empty table of a schema, for which pyarrow loads pandas.
        yield _frame(pa.Table.from_batches([], schema=reader.schema))
        while (batch := attended(con, lambda: next(reader, None))) is not None:
            yield _frame(batch)
    except pa.ArrowException as error:
        raise _not_shown(str(error)) from error
    finally:
        reader.close()


def _reader(relation: Any) -> pa.RecordBatchReader:
    try:
        return relation.to_arrow_reader(PIECE_ROWS)
    except pa.ArrowException as error:
        raise _not_shown(str(error)) from error


def attended(con: duckdb.DuckDBPyConnection, do: Callable[[], T]) -> T:
    """What ``do`` gives. DuckDB hears Ctrl-C late or never, so it works in a thread and this one waits."""
    given: list[T] = []
    raised: list[BaseException] = []

    def work() -> None:
        try:
            given.append(do())
        except BaseException as error:
            raised.append(error)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        while thread.is_alive():
            thread.join(0.1)
    except BaseException:
        for _ in range(20):  # until it has heard: a connection at work cannot be closed
            con.interrupt()
            thread.join(0.25)
            if not thread.is_alive():
                break
        raise
    if not raised:
        return given[0]
    if isinstance(raised[0], duckdb.OutOfMemoryException):
        raise UsageError(
            f"SQL: needs more than {MEMORY} of memory", "ask for less: choose rows by where, add a limit, or sum up"
        ) from raised[0]
    raise raised[0]


def as_plain(frame: pl.DataFrame) -> pl.DataFrame:
    """Decimals and huge integers as doubles."""
    return frame.with_columns(pl.col(pl.Decimal, pl.Int128).cast(pl.Float64))


def _frame(rows: Any) -> pl.DataFrame:
    try:
        return as_plain(pl.DataFrame(pl.from_arrow(rows)))
    except (pl.exceptions.PolarsError, ValueError, OverflowError, NotImplementedError) as error:
        raise _not_shown(str(error)) from error


def _not_held(kind: pa.DataType) -> str | None:
    """What no frame holds of a type or, at any depth, of those within it: Polars would panic."""
    if pa.types.is_interval(kind):
        return "an interval"
    if pa.types.is_union(kind):
        return "a union"
    within = (_not_held(kind.field(i).type) for i in range(kind.num_fields))
    return next(filter(None, within), None)


def _not_shown(reason: str) -> UsageError:
    """Of types that a frame does not hold, or text that is no text."""
    said = reason.partition("\n")[0]
    return UsageError(f"SQL: the answer cannot be shown ({said})", "cast its columns, perhaps to varchar")
