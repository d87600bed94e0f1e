"""Gives rows as CSV, JSON or Parquet, piece by piece, so that an answer of any length takes little memory."""

import json
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow.parquet as pq


def as_csv(pieces: Iterable[pl.DataFrame]) -> Iterator[str]:
    """Lines of CSV with a heading; lists joined by semicolons, what is nested deeper as JSON, bytes as hexadecimal."""
    for number, piece in enumerate(pieces):
        yield _in_cells(piece).write_csv(include_header=number == 0)


def as_json(pieces: Iterable[pl.DataFrame]) -> Iterator[str]:
    """One JSON list of rows; bytes as hexadecimal."""
    between = "["
    for piece in pieces:
        if piece.height:
            yield between + _with_text_for_bytes(piece).write_json()[1:-1]
            between = ","
    yield "]\n" if between == "," else "[]\n"


def write_parquet(pieces: Iterator[pl.DataFrame], path: Path) -> None:
    """A Parquet file of all pieces."""
    first = next(pieces).to_arrow()
    with pq.ParquetWriter(path, first.schema, compression="zstd") as writer:
        writer.write_table(first)
        for piece in pieces:
            writer.write_table(piece.to_arrow().cast(first.schema))


def first_rows(pieces: Iterable[pl.DataFrame], *, most: int) -> tuple[pl.DataFrame, bool]:
    """So many rows at most, and whether there are more."""
    kept: list[pl.DataFrame] = []
    height = 0
    for piece in pieces:
        kept.append(piece.head(most - height))
        height += piece.height
        if height > most:
            break
    return pl.concat(kept), height > most


def _in_cells(frame: pl.DataFrame) -> pl.DataFrame:
    """Every column as something that a CSV cell can hold."""
    made = []
    for column in _with_text_for_bytes(frame):
        kind = column.dtype
        if isinstance(kind, pl.List) and not kind.inner.is_nested():
            column = column.cast(pl.List(pl.String())).list.join("; ")
        elif kind.is_nested():
            column = _each(column, lambda value: json.dumps(value, ensure_ascii=False, default=str))
        made.append(column)
    return pl.DataFrame(made)


def _with_text_for_bytes(frame: pl.DataFrame) -> pl.DataFrame:
    made = []
    for column in frame:
        if column.dtype == pl.Binary:
            column = column.bin.encode("hex")
        elif column.dtype.is_nested() and "Binary" in str(column.dtype):
            column = _each(column, lambda value: json.dumps(value, ensure_ascii=False, default=_said))
        made.append(column)
    return pl.DataFrame(made)


def _each(column: pl.Series, say: Callable[[Any], str]) -> pl.Series:
    texts = [None if value is None else say(value) for value in column.to_list()]
    return pl.Series(column.name, texts, dtype=pl.String())


def _said(value: Any) -> str:
    return value.hex() if isinstance(value, bytes) else str(value)
