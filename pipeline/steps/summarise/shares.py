"""Limits of the shares of broken chords and of silent shifts, made from whole sessions or players as those of rates."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import duckdb
import polars as pl

from pipeline.stats.estimates import assumed_warning, group_seed
from pipeline.stats.rates import (
    Spread,
    effective_clusters,
    pooled_spread,
    rate_interval,
    small_sample_warning,
    wider,
)
from pipeline.store import schema


@dataclass(frozen=True)
class Share:
    """A share with limits: its result table, the name of the share, and how clusters are counted.

    ``sql`` gives the columns grouping, group_key, those of ``also`` by which groups are told apart besides, cluster,
    is_assumed, ``part`` and ``whole``; ``counted`` names one of the part, in two words.
    """

    table: str
    share: str
    counted: str
    also: tuple[str, ...]
    sql: str


CHORDS = Share(
    table="chord_share",
    share="share_broken",
    counted="broken chord",
    also=("notes",),
    sql="""
select
    grouping,
    group_key,
    notes,
    cluster,
    bool_or(is_assumed) as is_assumed,
    total(if(is_broken, weight, 0)) as part,
    total(weight) as whole
from tally.chord_in_group
where is_broken is not null
group by grouping, group_key, notes, cluster
order by all
""",
)
SHIFTS = Share(
    table="shift_share",
    share="share_silent",
    counted="silent shift",
    also=(),
    sql="""
select
    grouping,
    group_key,
    cluster,
    bool_or(is_assumed) as is_assumed,
    total(if(has_slide, 0, chance)) as part,
    total(chance) as whole
from tally.shift_in_group
group by grouping, group_key, cluster
having total(chance) > 0
order by all
""",
)


def shares(
    con: duckdb.DuckDBPyConnection, of: Share, pools: Mapping[str, str], *, seed: int, replicates: int
) -> pl.DataFrame:
    """Rows of the result table of a share.

    Parameters
    ----------
    con : a connection with the layers up to ``tally``.
    pools : of each unit of clusters, the grouping from whose groups the spread between such clusters is learnt.
    """
    clusters = con.sql(of.sql).pl()
    units = dict(con.sql("select grouping, cluster_unit from tally.grouping").fetchall())
    groups = dict(clusters.group_by("grouping", "group_key", *of.also, maintain_order=True))
    spreads = {
        (unit, *also): pooled_spread(
            [_counts(frame) for key, frame in groups.items() if (key[0], *key[2:]) == (pool, *also)]
        )
        for unit, pool in pools.items()
        for also in {key[2:] for key in groups}
    }
    rows = []
    for key, frame in groups.items():
        unit, also = units[key[0]], key[2:]
        spread = spreads[(unit, *also)]
        if frame.height == 1 and unit == "player":
            spread = wider(spread, spreads[("session", *also)])
        rows.append(_row(of, key, frame, unit, spread, seed=seed, replicates=replicates))
    return pl.DataFrame(rows, schema=schema.load(of.table, "result").polars_schema(), orient="row")


def _counts(frame: pl.DataFrame) -> tuple[Any, Any]:
    return frame["part"].to_numpy(), frame["whole"].to_numpy()


def _row(
    of: Share, key: tuple[Any, ...], frame: pl.DataFrame, unit: str, spread: Spread, *, seed: int, replicates: int
) -> dict[str, Any]:
    grouping, *parts = key
    part, whole = _counts(frame)
    share = rate_interval(
        part,
        whole,
        seed=group_seed(seed, grouping=f"{of.counted.split()[1]}s of {grouping}", group_key="/".join(map(str, parts))),
        replicates=replicates,
        pooled=spread,
        most=1.0,
    )
    assert share is not None  # only what tells is read
    small = small_sample_warning(
        unit=unit,
        clusters=frame.height,
        effective=effective_clusters(whole),
        count=float(part.sum()),
        counted=of.counted,
        learned_from=spread.degrees,
    )
    warnings = [text for text in (small, assumed_warning(frame["is_assumed"])) if text]
    return {
        **dict(zip(("grouping", "group_key", *of.also), key, strict=True)),
        f"{of.share}_low": share.low,
        f"{of.share}_high": share.high,
        "cluster_unit": unit,
        "clusters": frame.height,
        "method": share.method,
        "warning": "; ".join(warnings) or None,
    }
