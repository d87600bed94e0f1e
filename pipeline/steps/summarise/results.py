"""The tables of the layer ``result``, made from the facts of a database connection."""

from collections.abc import Collection, Mapping, Sequence
from itertools import combinations
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.stats.compare import compare_rates
from pipeline.stats.effects import player_effects, regression
from pipeline.stats.estimates import AS_RECORDED, MEASURES, estimates, group_seed, pooled_by_measure
from pipeline.stats.rates import FEW_CLUSTERS, Rate, pooled_overdispersion
from pipeline.store import schema

COMPARED = ("school", "period", "process")
RATES = ("slides_per_minute", "slides_per_100_transitions")
# Where the spread between clusters is learnt: between the sessions of each player, and between all players.
POOLS = {"session": "player", "player": "corpus"}


def result_tables(
    con: duckdb.DuckDBPyConnection,
    *,
    seed: int,
    replicates: int,
    groupings: Collection[str] | None = None,
    tables: Collection[str] | None = None,
) -> dict[str, pl.DataFrame]:
    """The rows of each result table, checked against its schema.

    Parameters
    ----------
    con : a connection with the layers up to ``tally``.
    groupings : those of ``tally.grouping`` that are needed; None for all.
    tables : names of the tables that are needed; None for all.
    """
    names = [relation.name for relation in schema.relations("result") if tables is None or relation.name in tables]
    listed = con.sql("select grouping, cluster_unit, has_quartiles from tally.grouping order by grouping").fetchall()
    wanted = [row for row in listed if groupings is None or row[0] in groupings]
    clusters = _of_groupings(con, "by_cluster", [*(row[0] for row in wanted), *POOLS.values()])
    estimate = _estimates(clusters, {row[0]: row[1] for row in wanted}, seed=seed, replicates=replicates)
    made = {"estimate": estimate}
    if "quartile" in names:
        # One grouping after another: the quartiles of all at once would hold every slide in memory many times.
        some = [_of_groupings(con, "quartile_by_group", [name])[name] for name, _, has_any in wanted if has_any]
        made["quartile"] = pl.concat(some) if some else pl.DataFrame()
    if "comparison" in names:
        made["comparison"] = _comparisons(con, clusters, estimate, seed=seed, replicates=replicates)
    if "player_effect" in names:
        made["player_effect"] = _player_effects(clusters["player"])
    if "effect" in names:
        made["effect"] = _effects(con)
    checked = {}
    for name, frame in made.items():
        relation = schema.load(name, "result")
        checked[name] = relation.checked(frame if frame.width else relation.empty()).sort(relation.key)
    return checked


def _of_groupings(con: duckdb.DuckDBPyConnection, view: str, names: Collection[str]) -> dict[str, pl.DataFrame]:
    """The rows of a view of ``tally`` by grouping."""
    listed = ", ".join(f"'{name}'" for name in sorted(set(names)))
    frame: pl.DataFrame = con.sql(f"select * from tally.{view} where grouping in ({listed}) order by all").pl()
    return {name: frame.filter(grouping=name) for name in names}


def _estimates(
    clusters: Mapping[str, pl.DataFrame], units: Mapping[str, str], *, seed: int, replicates: int
) -> pl.DataFrame:
    pooled = {unit: pooled_by_measure(clusters[name]) for unit, name in POOLS.items()}
    made = [
        estimates(
            clusters[name], grouping=name, cluster_unit=unit, seed=seed, replicates=replicates, pooled=pooled[unit]
        )
        for name, unit in units.items()
    ]
    return pl.concat(made) if made else pl.DataFrame()


def _comparisons(
    con: duckdb.DuckDBPyConnection,
    clusters: Mapping[str, pl.DataFrame],
    estimate: pl.DataFrame,
    *,
    seed: int,
    replicates: int,
) -> pl.DataFrame:
    recorded = estimate.filter(estimand=AS_RECORDED) if estimate.width else estimate
    rates = {(row["grouping"], row["group_key"], row["measure"]): row for row in recorded.iter_rows(named=True)}
    keys_of: dict[str, list[str]] = {}
    for name, key, measure in sorted(rates):
        if measure == RATES[0]:
            keys_of.setdefault(name, []).append(key)
    rows: list[dict[str, Any]] = []
    pairs: list[tuple[str, str, str, str]] = []
    for grouping in COMPARED:
        # Only groups of one scheme are compared, and a school or period that is none is not one.
        pairs += [
            (grouping, grouping, first, second)
            for first, second in combinations(keys_of.get(grouping, ()), 2)
            if first.rpartition("/")[0] == second.rpartition("/")[0]
            and not {first.rpartition("/")[2], second.rpartition("/")[2]}
            & {"unplaced", "undated", "outside", "unknown"}
        ]
    taught = con.execute("select distinct student_id, teacher_id from base.teaching order by all").fetchall()
    pairs += [("teacher_and_student", "player", student, teacher) for student, teacher in taught]
    wide = {name: _by_cluster(clusters[name]) for name in {p[1] for p in pairs} & clusters.keys()}
    for grouping, source, first, second in pairs:
        if not {(source, key, RATES[0]) for key in (first, second)} <= rates.keys():
            continue
        names = sorted(wide[source][first].keys() | wide[source][second].keys())
        for measure in RATES:
            one, other = rates[source, first, measure], rates[source, second, measure]
            if one["rate"] is None or other["rate"] is None:
                continue
            warning = "; ".join(sorted({row["warning"] for row in (one, other) if row["warning"]})) or None
            made = compare_rates(
                _group(one, measure, wide[source][first], names),
                _group(other, measure, wide[source][second], names),
                seed=group_seed(seed, grouping=grouping, group_key=f"{first}:{second}"),
                replicates=replicates,
            )
            factor = MEASURES[measure][2]
            rows.append(
                {
                    "grouping": grouping,
                    "group_key": first,
                    "other_key": second,
                    "measure": measure,
                    **{f"ratio{x}": _finite(v) for x, v in _named(made.ratio)},
                    **{f"difference{x}": _finite(factor * v) for x, v in _named(made.difference)},
                    "shared_clusters": made.shared_clusters,
                    "warning": warning,
                }
            )
    return pl.DataFrame(rows, schema=schema.load("comparison", "result").polars_schema(), orient="row")


def _by_cluster(frame: pl.DataFrame) -> dict[str, dict[str, dict[str, float]]]:
    groups: dict[str, dict[str, dict[str, float]]] = {}
    for row in frame.iter_rows(named=True):
        groups.setdefault(row["group_key"], {})[row["cluster"]] = row
    return groups


def _group(
    row: Mapping[str, Any], measure: str, of: Mapping[str, Mapping[str, float]], names: Sequence[str]
) -> tuple[Rate, list[float], list[float]]:
    counts, exposures, factor = MEASURES[measure]
    rate, low, high, poisson_low, poisson_high = (
        row[name] / factor for name in ("rate", "low", "high", "poisson_low", "poisson_high")
    )
    return (
        Rate(rate, low, high, poisson_low, poisson_high, row["method"]),
        [of[name][counts] if name in of else 0.0 for name in names],
        [of[name][exposures] if name in of else 0.0 for name in names],
    )


def _named(interval: Any) -> list[tuple[str, float]]:
    return [("", interval.estimate), ("_low", interval.low), ("_high", interval.high)]


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _player_effects(sessions: pl.DataFrame) -> pl.DataFrame:
    sessions = sessions.filter(pl.col("group_key") != "~")
    rows: list[dict[str, Any]] = []
    for measure in RATES:
        counts, exposures, factor = MEASURES[measure]
        used = sessions.filter(pl.col(exposures) > 0)
        by_player = used.sort("group_key", "cluster").group_by("group_key", maintain_order=True)
        spread = pooled_overdispersion([(g[counts].to_numpy(), g[exposures].to_numpy()) for _, g in by_player])
        players = used.group_by("group_key").agg(pl.col(counts).sum(), pl.col(exposures).sum()).sort("group_key")
        made = player_effects(
            players[counts].to_numpy(),
            players[exposures].to_numpy() / factor,
            overdispersion=spread.factor if spread else 1.0,
        )
        if made is None:
            continue
        few = f"only {players.height} players: rough variance" if players.height < FEW_CLUSTERS else None
        for place, (player_id, count, exposure) in enumerate(players.iter_rows()):
            rows.append(
                {
                    "measure": measure,
                    "player_id": player_id,
                    "slides": count,
                    "exposure": exposure / factor,
                    "rate": factor * count / exposure,
                    "shrunken_rate": made.shrunken[place],
                    "shrunken_rate_low": made.low[place],
                    "shrunken_rate_high": made.high[place],
                    "mean_rate": made.mean,
                    "between_player_variance": made.variance.estimate,
                    "between_player_variance_low": made.variance.low,
                    "between_player_variance_high": made.variance.high,
                    "overdispersion": spread.factor if spread else 1.0,
                    "players": players.height,
                    "warning": few,
                }
            )
    return pl.DataFrame(rows, schema=schema.load("player_effect", "result").polars_schema(), orient="row")


_DATED_TAKES = """select
    tally.timed_slides, tally.timed_minutes, tally.slides, tally.transitions, tally.player_id,
    (epoch(player.born_earliest) + epoch(player.born_latest)) / 2 / 86400 / 3652.425 as born,
    (epoch(tally.recorded_earliest) + epoch(tally.recorded_latest)) / 2 / 86400 / 3652.425 as recorded,
    (tally.process = 'electrical')::double as electrical,
    (tally.accompaniment <> 'none')::double as accompanied,
    tally.process, tally.accompaniment
from fact.take_tally as tally
join base.player on player.player_id = tally.player_id
where tally.state = 'judged' and tally.weight > 0
    and player.born_earliest is not null and player.born_latest is not null
    and tally.recorded_earliest is not null and tally.recorded_latest is not null
order by tally.take_id, tally.player_id"""

_MODELS = {
    "birth and recording": {"born": "a decade later born", "recorded": "a decade later recorded"},
    "birth, recording, process, accompaniment": {
        "born": "a decade later born",
        "recorded": "a decade later recorded",
        "electrical": "electrical against acoustic",
        "accompanied": "accompanied against alone",
    },
}


def _effects(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    takes = con.sql(_DATED_TAKES).pl()
    rows: list[dict[str, Any]] = []
    for model, terms in _MODELS.items():
        for measure in RATES:
            counts, exposures, _ = MEASURES[measure]
            used = takes.filter(pl.col(exposures) > 0)
            if len(terms) > 2:
                used = used.filter((pl.col("process") != "unknown") & (pl.col("accompaniment") != "unknown"))
            varying = [name for name in terms if used[name].n_unique() > 1]
            if "born" not in varying or "recorded" not in varying:
                continue
            players = used["player_id"].to_list()
            effects = regression(
                used[counts].to_numpy(),
                used[exposures].to_numpy(),
                used.select(varying).to_numpy(),
                names=[terms[name] for name in varying],
                players=players,
            )
            few = len(set(players)) < FEW_CLUSTERS
            for effect in effects or ():
                rows.append(
                    {
                        "model": model,
                        "measure": measure,
                        "term": effect.term,
                        **{f"ratio{x}": v for x, v in _named(effect.ratio)},
                        "takes": used.height,
                        "players": len(set(players)),
                        "warning": f"only {len(set(players))} players: rough interval" if few else None,
                    }
                )
    return pl.DataFrame(rows, schema=schema.load("effect", "result").polars_schema(), orient="row")
