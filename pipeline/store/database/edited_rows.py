"""Which rows people have edited since the database was made, which still holds them as they were."""

from collections.abc import Sequence
from pathlib import Path

import polars as pl

from pipeline.errors import DataError
from pipeline.store.catalogue.tables import table_files
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only
from pipeline.store.schema import Relation, hand_kept

NAMED = 3
"""Rows of a file that are named; of more their number."""


def with_rows(root: Path, edited: Sequence[str]) -> list[str]:
    """The files, each with the keys of rows that are others now, where the database tells: catalogue/take.csv (t1)."""
    corpus = Corpus(root)
    tables: dict[str, Relation] = {}
    for relation in hand_kept():
        files = table_files(corpus.root, relation)
        if len(files) == 1:
            tables[files[0].relative_to(corpus.root).as_posix()] = relation
    try:
        con = open_read_only(corpus.root)
    except DataError:
        return list(edited)
    try:
        told = []
        for file in edited:
            table = tables.get(file)
            keys = [] if table is None else _others(con.sql(f"from base.{table.name}").pl(), corpus, table)
            more = f" and {len(keys) - NAMED} more" if len(keys) > NAMED else ""
            told.append(f"{file} ({', '.join(keys[:NAMED])}{more})" if keys else file)
        return told
    finally:
        con.close()


def _others(before: pl.DataFrame, corpus: Corpus, relation: Relation) -> list[str]:
    """Keys of the rows that are gone, new, or not as they were."""
    now = corpus.catalogue.frame(relation.name)
    columns = [name for name in now.columns if name in before.columns]
    one, other = now.select(columns), before.select(columns)
    unlike = [
        a.join(b, on=columns, how="anti", nulls_equal=True).select(relation.key)
        for a, b in ((one, other), (other, one))
    ]
    rows = pl.concat(unlike).unique().sort(relation.key)
    return ["/".join(str(value) for value in row if value is not None) for row in rows.iter_rows()]
