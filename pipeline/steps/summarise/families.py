"""Many comparisons at once: p values of one family adjusted, with how many there are."""

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.stats.planning import holm


def with_holm(frame: pl.DataFrame, family: Sequence[str | pl.Expr], *, number: str) -> pl.DataFrame:
    """Rows with ``p_holm``, p adjusted among the rows alike in ``family``, and how many of these have a p as the column
    ``number``; both empty where p is."""
    keyed = frame.with_row_index("place").with_columns(pl.struct(family).alias("family"))
    parts = []
    for _, part in keyed.group_by("family", maintain_order=True):
        p = part["p"].cast(pl.Float64).fill_null(np.nan).to_numpy()
        parts.append(
            part.with_columns(
                pl.Series("p_holm", holm(p), dtype=pl.Float64).fill_nan(None),
                pl.when(pl.col("p").is_not_null()).then(int(np.isfinite(p).sum())).alias(number),
            )
        )
    if not parts:
        return frame.with_columns(pl.lit(None, pl.Float64).alias("p_holm"), pl.lit(None, pl.Int64).alias(number))
    return pl.concat(parts).sort("place").with_columns(pl.col(number).cast(pl.Int64)).drop("place", "family")
