"""Rates of many groups at once: a frame of clusters in, a frame of rates with intervals out."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any
from zlib import crc32

import numpy as np
import polars as pl

from pipeline.stats.rates import (
    ENOUGH_DEGREES,
    FEW_CLUSTERS,
    REPLICATES,
    Spread,
    effective_clusters,
    pooled_spread,
    rate_interval,
    resampling_weights,
    small_sample_warning,
)
from pipeline.units import Floats

# Name of a rate -> column of counts, column of exposure, and what the quotient is multiplied by.
MEASURES: Mapping[str, tuple[str, str, float]] = {
    "slides_per_minute": ("timed_slides", "timed_minutes", 1.0),
    "slides_per_100_transitions": ("slides", "transitions", 100.0),
    "slides_per_100_slurred_transitions": ("slurred_slides", "slurred_transitions", 100.0),
}
COUNTED = tuple(dict.fromkeys(name for counts, exposure, _ in MEASURES.values() for name in (counts, exposure)))
# What is asked of a group: how often one slides in its music as it was recorded, all slides over all exposure.
AS_RECORDED = "music_as_recorded"
SCHEMA = pl.Schema(
    {
        "grouping": pl.String(),
        "group_key": pl.String(),
        "measure": pl.String(),
        "estimand": pl.String(),
        **dict.fromkeys(("rate", "low", "high", "poisson_low", "poisson_high"), pl.Float64()),
        "method": pl.String(),
        "cluster_unit": pl.String(),
        "clusters": pl.Int64(),
        "effective_clusters": pl.Float64(),
        "replicates": pl.Int64(),
        "warning": pl.String(),
    }
)


Pooled = Mapping[str, Spread]


def pooled_by_measure(clusters: pl.DataFrame) -> Pooled:
    """Spread between the clusters of each group, pooled over the groups; columns as for ``estimates``."""
    ordered = clusters.with_columns(pl.col(COUNTED).cast(pl.Float64)).sort("group_key", "cluster")
    groups = [frame for _, frame in ordered.group_by("group_key", maintain_order=True)]
    return {
        measure: pooled_spread([(g[counts].to_numpy(), g[exposures].to_numpy()) for g in groups])
        for measure, (counts, exposures, _) in MEASURES.items()
    }


def estimates(
    clusters: pl.DataFrame,
    *,
    grouping: str,
    cluster_unit: str,
    seed: int,
    replicates: int = REPLICATES,
    pooled: Pooled | None = None,
) -> pl.DataFrame:
    """A row for each group and measure, in the order of keys; without a rate where there is no exposure.

    Parameters
    ----------
    clusters : one row for each group and cluster: ``group_key``, ``cluster``, and the columns of ``COUNTED``.
    grouping, cluster_unit : what the groups and the clusters are, in one word each.
    seed : of the corpus; each group has its own stream, made of this and the CRC-32 of its name, so that a group's
        limits do not depend on which other groups are asked for.
    pooled : spread between such clusters over the whole corpus, by measure, for groups of few clusters.
    """
    ordered = clusters.with_columns(pl.col(COUNTED).cast(pl.Float64)).sort("group_key", "cluster")
    groups = [
        (str(key[0]), {name: frame[name].to_numpy() for name in COUNTED})
        for key, frame in ordered.group_by("group_key", maintain_order=True)
    ]
    rows = [
        row
        for key, columns in groups
        for row in _rows(
            key,
            columns,
            grouping,
            cluster_unit=cluster_unit,
            seed=seed,
            replicates=replicates,
            pooled=pooled or {},
        )
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _rows(
    key: str,
    columns: Mapping[str, Floats],
    grouping: str,
    *,
    cluster_unit: str,
    seed: int,
    replicates: int,
    pooled: Pooled,
) -> Iterator[dict[str, Any]]:
    stream = group_seed(seed, grouping=grouping, group_key=key)
    size = next(iter(columns.values())).size
    weights = resampling_weights(size, seed=stream, replicates=replicates) if size >= FEW_CLUSTERS else None
    used = np.maximum(columns["transitions"], columns["timed_minutes"]) > 0
    effective = effective_clusters(columns["transitions"]) or effective_clusters(columns["timed_minutes"])
    group = {
        "grouping": grouping,
        "group_key": key,
        "estimand": AS_RECORDED,
        "cluster_unit": cluster_unit,
        "clusters": int(used.sum()),
        "effective_clusters": effective,
        "replicates": replicates,
        "warning": small_sample_warning(
            unit=cluster_unit,
            clusters=int(used.sum()),
            effective=effective,
            count=float(columns["slides"].sum()),
            is_guessed=pooled.get("slides_per_minute", Spread(0.0, 0.0)).degrees < ENOUGH_DEGREES,
        ),
    }
    for measure, (counts, exposures, factor) in MEASURES.items():
        rate = rate_interval(
            columns[counts],
            columns[exposures],
            seed=stream,
            replicates=replicates,
            pooled=pooled.get(measure),
            weights=weights,
            # A transition carries one slide at most.
            most=1.0 if factor == 100 else None,
        )
        row = group | {"measure": measure}
        if rate is not None:
            row |= {
                "rate": factor * rate.estimate,
                "low": factor * rate.low,
                "high": factor * rate.high,
                "poisson_low": factor * rate.poisson_low,
                "poisson_high": factor * rate.poisson_high,
                "method": rate.method,
            }
        yield row


def group_seed(seed: int, *, grouping: str, group_key: str) -> Sequence[int]:
    """Seed of a group's own stream of random numbers."""
    return (seed, crc32(f"{grouping}/{group_key}".encode()))
