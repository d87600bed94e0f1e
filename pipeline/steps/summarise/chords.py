"""Limits of the share of broken chords, made from whole sessions or players as those of rates."""

from collections.abc import Mapping
from typing import Any

import duckdb
import polars as pl

from pipeline.stats.estimates import ASSUMED, group_seed
from pipeline.stats.rates import (
    ENOUGH_DEGREES,
    Spread,
    effective_clusters,
    pooled_spread,
    rate_interval,
    small_sample_warning,
)
from pipeline.store import schema

_CLUSTERS = """
select
    grouping,
    group_key,
    notes,
    cluster,
    bool_or(is_assumed) as is_assumed,
    total(if(is_broken, weight, 0)) as broken,
    total(weight) as told
from tally.chord_in_group
where is_broken is not null
group by grouping, group_key, notes, cluster
order by all
"""


def chord_shares(
    con: duckdb.DuckDBPyConnection, pools: Mapping[str, str], *, seed: int, replicates: int
) -> pl.DataFrame:
    """Rows of ``result.chord_share``.

    Parameters
    ----------
    con : a connection with the layers up to ``tally``.
    pools : of each unit of clusters, the grouping from whose groups the spread between such clusters is learnt.
    """
    clusters = con.sql(_CLUSTERS).pl()
    units = dict(con.sql("select grouping, cluster_unit from tally.grouping").fetchall())
    groups = {
        (str(grouping), str(key), int(notes)): frame
        for (grouping, key, notes), frame in clusters.group_by("grouping", "group_key", "notes", maintain_order=True)
    }
    spreads = {
        (unit, notes): pooled_spread(
            [_counts(frame) for (grouping, _, of), frame in groups.items() if (grouping, of) == (pool, notes)]
        )
        for unit, pool in pools.items()
        for notes in clusters["notes"].unique()
    }
    rows = [
        _row(key, frame, units[key[0]], spreads[units[key[0]], key[2]], seed=seed, replicates=replicates)
        for key, frame in groups.items()
    ]
    return pl.DataFrame(rows, schema=schema.load("chord_share", "result").polars_schema(), orient="row")


def _counts(frame: pl.DataFrame) -> tuple[Any, Any]:
    return frame["broken"].to_numpy(), frame["told"].to_numpy()


def _row(
    key: tuple[str, str, int], frame: pl.DataFrame, unit: str, spread: Spread, *, seed: int, replicates: int
) -> dict[str, Any]:
    grouping, group_key, notes = key
    broken, told = _counts(frame)
    share = rate_interval(
        broken,
        told,
        seed=group_seed(seed, grouping=f"chords of {grouping}", group_key=f"{group_key}/{notes}"),
        replicates=replicates,
        pooled=spread,
        most=1.0,
    )
    assert share is not None  # only chords that tell are read
    small = small_sample_warning(
        unit=unit,
        clusters=frame.height,
        effective=effective_clusters(told),
        count=float(broken.sum()),
        counted="broken chords",
        is_guessed=spread.degrees < ENOUGH_DEGREES,
    )
    warnings = [text for text in (small, ASSUMED if frame["is_assumed"].any() else None) if text]
    return {
        "grouping": grouping,
        "group_key": group_key,
        "notes": notes,
        "share_broken_low": share.low,
        "share_broken_high": share.high,
        "cluster_unit": unit,
        "clusters": frame.height,
        "method": share.method,
        "warning": "; ".join(warnings) or None,
    }
