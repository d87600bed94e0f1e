"""Groups compared in pairs: what the music says, what players say who changed, and what players say who differ."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import Any

import duckdb
import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.counted import short_of
from pipeline.stats.change import ChangedOrReplaced, changed_or_replaced
from pipeline.stats.compare import compare_rates
from pipeline.stats.correction import Factor
from pipeline.stats.detection import corrected
from pipeline.stats.estimates import AS_RECORDED, MEASURES, PER_BAR, group_seed, source_columns
from pipeline.stats.intervals import Interval
from pipeline.stats.rates import Rate
from pipeline.stats.uncertain_dates import ratio_bounds
from pipeline.stats.whose_rate import LEAST_PLAYERS_FOR_RATIO, Ratio, enough_for_ratio
from pipeline.steps.summarise.dates import DRAWN, Dated
from pipeline.steps.summarise.families import with_holm
from pipeline.steps.summarise.timing import ratios_with_speed_error
from pipeline.store import schema
from pipeline.units import Floats

COMPARED = ("school", "period", "process", "accompaniment", "instrument")
RATES = ("slides_per_minute", "slides_per_100_transitions", "observed_over_expected", PER_BAR)
# A group that is none is not compared.
_NO_GROUP = {"unplaced", "undated", "uncertain", "outside", "unknown"}
_Sums = tuple[Floats, Floats]
"""Counts and exposures of each player."""


def comparisons(
    con: duckdb.DuckDBPyConnection,
    clusters: Mapping[str, pl.DataFrame],
    estimate: pl.DataFrame,
    dates: Sequence[Dated],
    factors: Mapping[str, Mapping[str, Factor]],
    reach: pl.DataFrame,
    *,
    seed: int,
    replicates: int,
) -> pl.DataFrame:
    """Rows of ``result.comparison``.

    Parameters
    ----------
    clusters : rows of ``tally.by_cluster`` of each grouping.
    estimate : rows of ``result.estimate``.
    dates : drawn rates of the schemes of periods in which some date is uncertain.
    factors : true slides per find by grouping and group.
    reach : the speeds' own error, as ``timing.speed_reach`` gives it.
    """
    compared = (pl.col("estimand") == AS_RECORDED) & pl.col("grouping").is_in((*COMPARED, "player"))
    rates = {
        (row["grouping"], row["group_key"], row["measure"]): row
        for row in estimate.filter(compared & pl.col("measure").is_in(RATES)).iter_rows(named=True)
    }
    pairs = _pairs(con, sorted({key[:2] for key in rates}))
    wide = {name: _by_cluster(clusters[name]) for name in {pair[1] for pair in pairs} & clusters.keys()}
    rows: list[dict[str, Any]] = []
    for grouping, source, first, second in pairs:
        if not {(source, key, RATES[0]) for key in (first, second)} <= rates.keys():
            continue
        known = tuple(factors.get(source, {}).get(key) for key in (first, second))
        for measure in RATES:
            one, other = (rates.get((source, key, measure)) for key in (first, second))
            if one is None or other is None or one["rate"] is None or other["rate"] is None:
                continue
            given = Pair(grouping, first, second, measure, wide[source][first], wide[source][second], known)
            warning = "; ".join(sorted({row["warning"] for row in (one, other) if row["warning"]})) or None
            if grouping in COMPARED and not enough_for_ratio(*given.players()):
                rows.append(given.too_few_players())
                continue
            rows.append(given.as_recorded(one, other, warning, seed=seed, replicates=replicates))
            if grouping in COMPARED:
                rows += given.of_players()
            if grouping == "period":
                rows += given.of_drawn_dates(dates)
    frame = ratios_with_speed_error(pl.DataFrame(rows, schema=_SCHEMA, orient="row"), reach)
    scheme = pl.col("group_key").str.replace(r"[^/]*$", "").alias("scheme")
    adjusted = with_holm(frame, ["grouping", scheme, "measure", "evidence"], number="pairs_in_family")
    return adjusted.select(schema.load("comparison", "result").polars_schema().names())


def _pairs(con: duckdb.DuckDBPyConnection, groups: Sequence[tuple[str, str]]) -> list[tuple[str, str, str, str]]:
    """What is compared: its name, the grouping its groups are of, and both keys; only groups of one scheme."""
    pairs = []
    for grouping in COMPARED:
        keys = [key for name, key in groups if name == grouping and key.rpartition("/")[2] not in _NO_GROUP]
        pairs += [
            (grouping, grouping, first, second)
            for first, second in combinations(keys, 2)
            if first.rpartition("/")[0] == second.rpartition("/")[0]
        ]
    taught = con.execute("select distinct student_id, teacher_id from base.teaching order by all").fetchall()
    return pairs + [("teacher_and_student", "player", student, teacher) for student, teacher in taught]


class Pair:
    """Two groups of one grouping, and a measure.

    ``one`` and ``other`` are the rows of ``tally.by_cluster`` of each, by cluster; ``factors`` are their true slides
    per find, None where unknown.
    """

    def __init__(
        self,
        grouping: str,
        first: str,
        second: str,
        measure: str,
        one: Mapping[str, Mapping[str, float]],
        other: Mapping[str, Mapping[str, float]],
        factors: tuple[Factor | None, ...],
    ) -> None:
        self.grouping, self.first, self.second, self.measure = grouping, first, second, measure
        self.names = names = sorted(one.keys() | other.keys())
        self.factors = [factor for factor in factors if factor is not None]
        counts, exposures, self.factor = MEASURES[measure]
        self.groups = [
            tuple(np.array([of[n][column] if n in of else 0.0 for n in names]) for column in (counts, exposures))
            for of in (one, other)
        ]
        self.shared = int(((self.groups[0][1] > 0) & (self.groups[1][1] > 0)).sum())
        # A player of two schools is in both with the same takes, which says nothing of a change.
        self.may_change = grouping != "school"

    def players(self) -> list[int]:
        """How many clusters, which are players in all that is ``COMPARED``, each group holds."""
        return [int((exposures > 0).sum()) for _, exposures in self.groups]

    def too_few_players(self) -> dict[str, Any]:
        players = int(((self.groups[0][1] > 0) | (self.groups[1][1] > 0)).sum())
        smaller = min(self.players())
        warning = f"in the smaller group {short_of(smaller, LEAST_PLAYERS_FOR_RATIO, 'player', 'a ratio')}"
        if self.may_change and self.shared < LEAST_PLAYERS_FOR_RATIO:
            both = short_of(self.shared, LEAST_PLAYERS_FOR_RATIO, "player", "seeing them change")
            warning += f"; in both {both}"
        return self._row(AS_RECORDED, _NOTHING, None, players=players, warning=warning)

    def as_recorded(
        self, one: Mapping[str, Any], other: Mapping[str, Any], warning: str | None, *, seed: int, replicates: int
    ) -> dict[str, Any]:
        made = compare_rates(
            (_rate(one, self.factor), self.groups[0][0], self.groups[0][1]),
            (_rate(other, self.factor), self.groups[1][0], self.groups[1][1]),
            seed=group_seed(seed, grouping=self.grouping, group_key=f"{self.first}:{self.second}"),
            replicates=replicates,
        )
        difference = {f"difference{x}": _finite(self.factor * v) for x, v in _named(made.difference)}
        players = int(((self.groups[0][1] > 0) | (self.groups[1][1] > 0)).sum())
        mended = self._corrected(made.ratio) if self.factors else None
        return self._row(AS_RECORDED, made.ratio, mended, players=players, warning=warning) | difference

    def of_players(self) -> Iterator[dict[str, Any]]:
        both = (self.groups[0][1] > 0) & (self.groups[1][1] > 0)
        kept = np.ones(both.size, dtype=bool) if self.may_change else ~both
        first, second = ((counts[kept], exposures[kept]) for counts, exposures in self.groups)
        made = changed_or_replaced(first, second)
        mended = self._mended(first, second, kept) if self.factors else None
        for name, evidence, again in (
            ("within_players", made.within, mended and mended.within),
            ("between_players", made.between, mended and mended.between),
            ("joined", made.joined if made.within and made.between else None, mended and mended.joined),
        ):
            if evidence is not None:
                ratio: Ratio = evidence.compared
                right = corrected(again.compared.ratio, *self._left(kept)) if again else None
                yield self._row(name, ratio.ratio, right, players=evidence.players) | {
                    "p": _finite(ratio.p),
                    "log_se": ratio.log_se,
                    "freedom": ratio.freedom,
                    "changed_or_replaced_p": made.differ_p,
                }
        if self.may_change and made.within is None:
            slid = int((both & (self.groups[0][0] + self.groups[1][0] > 0)).sum())
            few = short_of(slid, LEAST_PLAYERS_FOR_RATIO, "player", "seeing them change")
            warning = f"in both {few}"
            if slid != self.shared:
                warning += f" ({self.shared} stand in both, the others without a slide)"
            yield self._row("within_players", _NOTHING, None, players=slid, warning=warning)
        if self.may_change and made.between is None:
            alone = [int(((exposures > 0) & ~both).sum()) for _, exposures in self.groups]
            few = short_of(min(alone), LEAST_PLAYERS_FOR_RATIO, "player", "seeing them replaced")
            warning = f"in the {'first' if alone[0] <= alone[1] else 'other'} group only {few}"
            yield self._row("between_players", _NOTHING, None, players=sum(alone), warning=warning)

    def _mended(self, first: _Sums, second: _Sums, kept: npt.NDArray[np.bool_]) -> ChangedOrReplaced:
        """The same players with each one's exposure divided by the true slides per find."""
        names = [name for name, is_kept in zip(self.names, kept, strict=True) if is_kept]
        groups = []
        for (counts, exposures), factor in zip((first, second), self.factors, strict=True):
            means = factor.means(names)
            groups.append((counts, exposures if means is None else exposures / means))
        return changed_or_replaced(*groups)

    def _corrected(self, ratio: Interval) -> Interval:
        return corrected(ratio, self.factors[0].whole, self.factors[1].whole)

    def _left(self, kept: npt.NDArray[np.bool_]) -> Sequence[Floats]:
        """What draws of true slides per find leave open of the typical player of each group, once each is corrected."""
        typical = []
        for (_, exposures), factor in zip(self.groups, self.factors, strict=True):
            used = kept & (exposures > 0)
            names = [name for name, is_used in zip(self.names, used, strict=True) if is_used]
            typical.append(factor.typical(names, about_means=True))
        return typical

    def of_drawn_dates(self, dates: Sequence[Dated]) -> Iterator[dict[str, Any]]:
        for each in dates:
            if each.measure == self.measure and each.scheme == self.first.partition("/")[0]:
                places = each.place(self.first), each.place(self.second)
                if not enough_for_ratio(*(each.takes.players_in(place) for place in places)):
                    continue
                bounds = ratio_bounds(each.takes, *places)
                players = int(each.takes.players.max()) + 1
                ratio = each.drawn.ratio(*places)
                mended = self._corrected(ratio) if self.factors else None
                yield self._row(DRAWN, ratio, mended, players=players) | {
                    "ratio_least": _finite(bounds.least),
                    "ratio_most": _finite(bounds.most),
                }

    def _row(
        self, evidence: str, ratio: Interval, mended: Interval | None, *, players: int, warning: str | None = None
    ) -> dict[str, Any]:
        return {
            "grouping": self.grouping,
            "group_key": self.first,
            "other_key": self.second,
            "measure": self.measure,
            "evidence": evidence,
            **{f"ratio{x}": _finite(v) for x, v in _named(ratio)},
            **{f"ratio_corrected{x}": _finite(v) for x, v in (_named(mended) if mended else ())},
            **source_columns(*self.factors),
            **_explained(mended or ratio),
            "players": players,
            "shared_clusters": self.shared,
            "warning": warning,
        }


_NOTHING = Interval(np.nan, np.nan, np.nan)


_SCHEMA = {
    name: kind
    for name, kind in schema.load("comparison", "result").polars_schema().items()
    if name not in ("p_holm", "pairs_in_family")
} | {"log_se": pl.Float64(), "freedom": pl.Float64()}


def _by_cluster(frame: pl.DataFrame) -> dict[str, dict[str, dict[str, float]]]:
    groups: dict[str, dict[str, dict[str, float]]] = {}
    for row in frame.iter_rows(named=True):
        groups.setdefault(row["group_key"], {})[row["cluster"]] = row
    return groups


def _rate(row: Mapping[str, Any], factor: float) -> Rate:
    rate, low, high, poisson_low, poisson_high = (
        row[name] / factor for name in ("rate", "low", "high", "poisson_low", "poisson_high")
    )
    return Rate(rate, low, high, poisson_low, poisson_high, row["method"])


def _explained(ratio: Interval) -> dict[str, float | None]:
    """How many times as large a share of its slides would have to be found in the group that slides more, beyond what
    is corrected, for the ratio to be 1, and for its limits to reach 1."""
    if not ratio.estimate > 0 or not np.isfinite(ratio.estimate):
        return {"recall_to_equal": None, "recall_to_doubt": None}
    doubt = max(ratio.low, 1 / ratio.high if ratio.high > 0 else np.inf, 1.0)
    return {"recall_to_equal": float(max(ratio.estimate, 1 / ratio.estimate)), "recall_to_doubt": _finite(doubt)}


def _named(interval: Interval) -> list[tuple[str, float]]:
    return [("", interval.estimate), ("_low", interval.low), ("_high", interval.high)]


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
