"""Arrow tables: made from frames, without NaN, and held against their key."""

from collections.abc import Sequence
from functools import cache, reduce
from typing import Any

import polars as pl
import pyarrow as pa


def arrow_of(frame: pl.DataFrame) -> pa.Table:
    """The frame as Arrow types that every reader knows."""
    return frame.to_arrow(compat_level=pl.CompatLevel.oldest())


@cache
def one_of(values: tuple[Any, ...], kind: pa.DataType) -> pa.Array:
    """Values and null; made by Polars, since Arrow would load pandas first, which takes a second."""
    return pl.Series([*values, None]).to_arrow().cast(kind)


def in_order(table: pa.Table, key: Sequence[str]) -> pa.Table:
    """The table sorted by its key; most are so already."""
    import pyarrow.compute as pc

    order = pc.sort_indices(table, sort_keys=[(name, "ascending") for name in key])
    # Looked at by Polars, since Arrow would load pandas for numpy to see it; places in rising order are all in place.
    return table if pl.Series(order).is_sorted() else table.take(order)


def neighbours_alike(keys: pa.Table) -> bool:
    """Whether a row of a sorted table is the same as the one before it."""
    import pyarrow.compute as pc

    alike = [pc.equal(column[1:], column[:-1]) for column in keys.columns]
    return bool(alike) and pc.any(reduce(pc.and_, alike)).as_py() is True


def without_nan(table: pa.Table) -> pa.Table:
    """The table with null for NaN, in lists too."""
    import pyarrow.compute as pc

    for place, values in enumerate(table.columns):
        kind = values.type
        inner = pc.list_flatten(values) if pa.types.is_list(kind) else values
        if not pa.types.is_floating(inner.type) or not pc.any(pc.is_nan(inner)).as_py():
            continue
        made = pc.if_else(pc.is_nan(inner), one_of((), inner.type)[0], inner)
        if pa.types.is_list(kind):
            whole = values.combine_chunks()
            made = pa.ListArray.from_arrays(whole.offsets, made.combine_chunks(), type=kind, mask=whole.is_null())
        table = table.set_column(place, table.schema.field(place), made)
    return table
