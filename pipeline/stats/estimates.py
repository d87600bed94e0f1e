"""Rates of many groups at once: a frame of clusters in, a frame of rates with intervals out."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zlib import crc32

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.counted import counted
from pipeline.stats.correction import UNCORRECTED, Factor
from pipeline.stats.detection import corrected
from pipeline.stats.intervals import Interval
from pipeline.stats.rates import (
    BOOTSTRAP,
    FEW_CLUSTERS,
    REPLICATES,
    UNKNOWN,
    Rate,
    Spread,
    effective_clusters,
    pooled_spread,
    rate_interval,
    resampling_weights,
    small_sample_warning,
    wider,
)
from pipeline.stats.whose_rate import PlayersRates, players_rates
from pipeline.units import Floats

# Name of a rate -> column of counts, column of exposure, and what the quotient is multiplied by.
MEASURES: Mapping[str, tuple[str, str, float]] = {
    "slides_per_minute": ("timed_slides", "timed_minutes", 1.0),
    "slides_per_100_transitions": ("slid_transitions", "transitions", 100.0),
    "slides_per_100_slurred_transitions": ("slurred_slid_transitions", "slurred_transitions", 100.0),
    "observed_over_expected": ("slid_transitions", "expected_slides", 1.0),
    "slides_per_bar": ("bar_slides", "bars", 1.0),
}
COUNTED = tuple(dict.fromkeys(name for counts, exposure, _ in MEASURES.values() for name in (counts, exposure)))
# What is asked of a group: how often one slides in its music as it was recorded, all slides over all exposure; what
# its players do on average, one vote each; and what the player in the middle does (``stats.whose_rate``).
AS_RECORDED, AVERAGE, TYPICAL = "music_as_recorded", "average_player", "typical_player"
RELATIVE = "observed_over_expected"
"""The measure that sets a group against the whole corpus."""
PER_BAR = "slides_per_bar"
"""The measure of takes that are laid on a written part, which may be none or few of a group's."""
OF_PLAYERS = ("slides_per_minute", "slides_per_100_transitions", "observed_over_expected")
"""Measures of all takes for which players are asked."""
SCHEMA = pl.Schema(
    {
        "grouping": pl.String(),
        "group_key": pl.String(),
        "measure": pl.String(),
        "estimand": pl.String(),
        **dict.fromkeys(("rate", "low", "high", "poisson_low", "poisson_high", "least", "most"), pl.Float64()),
        **dict.fromkeys(("corrected", "corrected_low", "corrected_high"), pl.Float64()),
        "correction": pl.String(),
        "judged": pl.Int64(),
        "planted": pl.Int64(),
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
    within: Pooled | None = None,
    named: Collection[str] | None = None,
    factors: Mapping[str, Factor] | None = None,
    overall: Factor | None = None,
) -> pl.DataFrame:
    """A row for each group and measure, in the order of keys; without a rate where there is no exposure, and none for
    slides per bar where no bars are known.

    Where clusters are players there is a row for the average and the typical player beside it, if they can be told.

    Parameters
    ----------
    clusters : one row for each group and cluster: ``group_key``, ``cluster``, the columns of ``COUNTED``, and
        ``is_assumed``, whether sessions in it are only assumed.
    grouping, cluster_unit : what the groups and the clusters are, in one word each.
    seed : of the corpus; each group has its own stream, made of this and the CRC-32 of its name, so that a group's
        limits do not depend on which other groups are asked for.
    pooled : spread between such clusters over the whole corpus, by measure, for groups of few clusters.
    within : spread between the parts of one cluster, by measure, which a group of one cluster has at least.
    named : clusters that are persons, of whom the average and the typical one are told; None for no such rows.
    factors : true slides per find of each group, where they are known, and ``overall`` of the whole corpus.
    """
    ordered = clusters.with_columns(pl.col(COUNTED).cast(pl.Float64)).sort("group_key", "cluster")
    ordered = ordered.with_columns(pl.col("cluster").is_in(list(named or ())).alias("is_named"))
    columns = {name: ordered[name].to_numpy() for name in (*COUNTED, "is_assumed", "is_named", "cluster")}
    runs = ordered["group_key"].rle().struct.unnest()
    ends = np.cumsum(runs["len"].to_numpy()).tolist()
    asked = _Asked(grouping, cluster_unit, seed, replicates, pooled or {}, within or {}, overall)
    rows = [
        row
        for key, start, end in zip(runs["value"], [0, *ends], ends, strict=False)
        for row in _rows(
            key, {name: column[start:end] for name, column in columns.items()}, (factors or {}).get(key), asked
        )
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


Columns = Mapping[str, npt.NDArray[Any]]


@dataclass(frozen=True)
class _Asked:
    """What is the same for all groups; see ``estimates``."""

    grouping: str
    cluster_unit: str
    seed: int
    replicates: int
    pooled: Pooled
    within: Pooled
    overall: Factor | None

    def spread(self, measure: str, exposures: Floats) -> Spread:
        """What the corpus tells of the spread between the clusters of a group."""
        known = self.pooled.get(measure, UNKNOWN)
        return wider(known, self.within.get(measure, UNKNOWN)) if np.count_nonzero(exposures) == 1 else known


def _rows(key: str, columns: Columns, factor: Factor | None, asked: _Asked) -> Iterator[dict[str, Any]]:
    """The rows of one group."""
    stream = group_seed(asked.seed, grouping=asked.grouping, group_key=key)
    names = [str(name) for name in columns["cluster"]]
    size, replicates = len(names), asked.replicates
    weights = resampling_weights(size, seed=stream, replicates=replicates) if size >= FEW_CLUSTERS else None
    drawn: dict[str, Any] = {"seed": stream, "replicates": replicates, "weights": weights}
    group = {
        "grouping": asked.grouping,
        "group_key": key,
        "estimand": AS_RECORDED,
        "cluster_unit": asked.cluster_unit,
        "replicates": replicates,
        **source_columns(factor),
        **_rests_on_all(columns, asked),
    }
    for measure, (counts, exposures, times) in MEASURES.items():
        of_measure = {"measure": measure}
        if measure == PER_BAR:
            bars = columns[exposures]
            if not bars.any():
                continue
            count = float(columns[counts].sum())
            of_measure |= _rests_on(bars, effective_clusters(bars), count, columns, asked, measure)
        # A transition carries one slide at most.
        most = 1.0 if times == 100 else None
        spread = asked.spread(measure, columns[exposures])
        rate = rate_interval(columns[counts], columns[exposures], pooled=spread, most=most, **drawn)
        row: dict[str, Any] = group | of_measure | _rate_columns(rate, times)
        relative = asked.overall if measure == RELATIVE else None
        if rate is not None and factor is not None:
            scaled = factor.scaled(columns[counts], names) if rate.method == BOOTSTRAP else None
            again = rate if scaled is None else rate_interval(scaled, columns[exposures], **drawn)
            assert again is not None
            made = mended(Interval(again.estimate, again.low, again.high), factor.whole, relative)
            row |= corrected_columns(made, times, most=None if most is None else times * most)
        yield row
        if measure in (*OF_PLAYERS, PER_BAR) and columns["is_named"].any():
            named = columns["is_named"] > 0
            given = columns[counts][named], columns[exposures][named] / times
            own = [name for name, is_named in zip(names, named, strict=True) if is_named]
            yield from _of_players(row, *given, own, factor, relative)


def _rate_columns(rate: Rate | None, times: float) -> dict[str, Any]:
    """A rate with its limits as columns; none where it could not be told."""
    if rate is None:
        return {}
    numbers = ("low", "high", "poisson_low", "poisson_high")
    return {
        "rate": times * rate.estimate,
        **{name: times * getattr(rate, name) for name in numbers},
        "method": rate.method,
    }


def _rests_on_all(columns: Columns, asked: _Asked) -> dict[str, Any]:
    """As ``_rests_on``, for measures of all takes."""
    exposure = np.maximum(columns["transitions"], columns["timed_minutes"])
    count = float(np.maximum(columns["timed_slides"], columns["slid_transitions"]).sum())
    effective = effective_clusters(columns["transitions"]) or effective_clusters(columns["timed_minutes"])
    return _rests_on(exposure, effective, count, columns, asked, "slides_per_minute")


def _rests_on(
    exposure: Floats, effective: float, count: float, columns: Columns, asked: _Asked, measure: str
) -> dict[str, Any]:
    """Clusters with exposure, how many equal ones they are worth, and what to be careful about."""
    unit = asked.cluster_unit
    small = small_sample_warning(
        unit=unit,
        clusters=int((exposure > 0).sum()),
        effective=effective,
        count=count,
        learned_from=asked.pooled.get(measure, UNKNOWN).degrees,
    )
    assumed = assumed_warning(columns["is_assumed"][exposure > 0]) if unit == "session" else None
    warnings = [text for text in (small, assumed) if text]
    return {
        "clusters": int((exposure > 0).sum()),
        "effective_clusters": effective,
        "warning": "; ".join(warnings) or None,
    }


def assumed_warning(is_assumed: npt.ArrayLike) -> str | None:
    """How many of a group's sessions are only assumed, and what that means; None without any.

    ``is_assumed`` is so for each session, shape (sessions,)."""
    assumed = np.asarray(is_assumed, dtype=bool)
    of = counted(assumed.size, "session")
    return f"{assumed.sum()} of {of} assumed: takes of one year count as one day" if assumed.any() else None


_SHARED = (
    "grouping",
    "group_key",
    "measure",
    "cluster_unit",
    "replicates",
    "warning",
    "correction",
    "judged",
    "planted",
)


def _of_players(
    row: Mapping[str, Any],
    counts: Floats,
    exposures: Floats,
    names: Sequence[str],
    factor: Factor | None,
    relative: Factor | None,
) -> Iterator[dict[str, Any]]:
    made = players_rates(counts, exposures, np.arange(counts.size))
    if made is None:
        return
    shared = {name: row[name] for name in _SHARED}
    again: PlayersRates | None = None
    if factor is not None:
        # The grid is dear: there the players' common factor alone is carried along.
        means = factor.means(names) if made.method == "log t" else None
        again = made if means is None else players_rates(counts, exposures / means, np.arange(counts.size))
    for estimand in (AVERAGE, TYPICAL):
        interval = made.average if estimand == AVERAGE else made.typical
        values: dict[str, Any] = {}
        if again is not None and factor is not None:
            draws = factor.typical(names, about_means=means is not None)
            right = again.average if estimand == AVERAGE else again.typical
            values = corrected_columns(mended(right, draws, relative))
        yield (
            shared
            | values
            | {
                "estimand": estimand,
                "rate": interval.estimate,
                "low": interval.low,
                "high": interval.high,
                "method": made.method,
                "clusters": made.players,
                "effective_clusters": float(made.players),
            }
        )


def mended(found: Interval, draws: Floats, whole: Factor | None) -> Interval:
    """A rate corrected by draws of true slides per find, of a measure that sets it against the whole corpus (whose
    factor is then given) by those of the whole too."""
    return corrected(found, draws, None if whole is None else whole.whole)


def source_columns(*factors: Factor | None) -> dict[str, Any]:
    """Where a correction comes from, as columns of ``result`` tables; what two groups share counts once."""
    known = [factor for factor in factors if factor is not None]
    rests_on = {sound: numbers for factor in known for sound, numbers in factor.rests_on.items()}
    judged, planted = (sum(numbers[place] for numbers in rests_on.values()) for place in (0, 1))
    return {"correction": known[0].source if known else UNCORRECTED, "judged": judged, "planted": planted}


def corrected_columns(
    made: Interval, times: float = 1.0, *, most: float | None = None, name: str = "corrected"
) -> dict[str, float]:
    """A corrected rate as the column ``name`` and its limits; ``most``: what it cannot exceed."""
    rate, low, high = (times * value for value in (made.estimate, made.low, made.high))
    if most is not None:
        rate, low, high = min(rate, most), min(low, most), min(high, most)
    return {name: rate, f"{name}_low": low, f"{name}_high": high}


def group_seed(seed: int, *, grouping: str, group_key: str) -> Sequence[int]:
    """Seed of a group's own stream of random numbers."""
    return (seed, crc32(f"{grouping}/{group_key}".encode()))
