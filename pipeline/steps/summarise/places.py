"""Groups and players compared at the same places of the written parts."""

from collections.abc import Collection
from itertools import combinations
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.counted import short_of
from pipeline.stats.estimates import group_seed
from pipeline.stats.likeness import FEW_BOTH, Likeness, likeness, taught_pairs
from pipeline.stats.places import PlaceEffect, Told, place_effect, sentence
from pipeline.stats.rates import FEW_CLUSTERS, rough_interval
from pipeline.stats.resemblance import pairs_warning
from pipeline.steps.summarise.families import with_holm
from pipeline.store import schema

TABLES = ("place_effect", "player_likeness", "likeness_of_students")

_ROWS = """select written_place_id, take_id, player_id, total(weight) as told,
    total(if(outcome = 'slid', weight, 0)) as slid
from fact.written_place_take
where weight > 0 and player_id is not null
group by all
order by all"""

# What a row counts in each group, by its player or its take.
_GROUPS = {
    "school": """select player_id, scheme, school_id as group_key, share, coalesce(name, school_id) as name
from fact.school_member left join base.school using (school_id, scheme)
where player_id is not null and school_id <> 'unplaced' order by all""",
    "period": """select take_id, scheme, period_id as group_key, 1::double as share, coalesce(name, period_id) as name
from fact.take_period left join base.period using (period_id, scheme)
where is_certain and period_id not in ('undated', 'outside') order by all""",
}

Row = dict[str, Any]


def place_results(
    con: duckdb.DuckDBPyConnection, *, seed: int, replicates: int, tables: Collection[str]
) -> dict[str, pl.DataFrame]:
    """Rows of those of ``TABLES`` that are wanted."""
    told = con.sql(_ROWS).pl()
    made: dict[str, list[Row]] = {}
    if "place_effect" in tables:
        made["place_effect"] = [
            row for grouping in _GROUPS for row in _effects(con, told, grouping, seed=seed, replicates=replicates)
        ]
    if {"player_likeness", "likeness_of_students"} & set(tables):
        pairs, of_students = _likenesses(con, told, seed=seed, replicates=replicates)
        made |= {"player_likeness": pairs, "likeness_of_students": of_students}
    frames = {
        name: pl.DataFrame(rows, schema=schema.load(name, "result").polars_schema(), orient="row")
        for name, rows in made.items()
        if name in tables
    }
    if "place_effect" in frames:
        names = frames["place_effect"].columns
        found = frames["place_effect"].drop("p_holm", "pairs_in_family")
        scheme = pl.col("group_key").str.replace(r"[^/]*$", "").alias("scheme")
        frames["place_effect"] = with_holm(found, ["grouping", scheme], number="pairs_in_family").select(names)
    return frames


def _matrix(told: pl.DataFrame, players: list[str], places: list[str], share: str | None = None) -> Told:
    """Rows as weights by player and place."""
    at = {name: i for i, name in enumerate(players)}, {name: i for i, name in enumerate(places)}
    made = np.zeros((2, len(players), len(places)))
    for row in told.iter_rows(named=True):
        where = at[0][row["player_id"]], at[1][row["written_place_id"]]
        for k, column in enumerate(("slid", "told")):
            made[k][where] += row[column] * (row[share] if share else 1.0)
    return Told(made[0], made[1])


def _effects(
    con: duckdb.DuckDBPyConnection, told: pl.DataFrame, grouping: str, *, seed: int, replicates: int
) -> list[Row]:
    groups = con.sql(_GROUPS[grouping]).pl()
    by = "player_id" if grouping == "school" else "take_id"
    rows = []
    for (scheme,), members in groups.group_by("scheme", maintain_order=True):
        split = {
            str(key): told.join(some.select(by, "share"), on=by, how="inner")
            for (key,), some in members.group_by("group_key", maintain_order=True)
        }
        names = dict(members.select("group_key", "name").iter_rows())
        for first, other in combinations(sorted(split), 2):
            both = pl.concat([split[first], split[other]])
            players, places = (sorted(both[c].unique().to_list()) for c in ("player_id", "written_place_id"))
            key = f"{scheme}/{first}:{scheme}/{other}"
            made = place_effect(
                _matrix(split[first], players, places, "share"),
                _matrix(split[other], players, places, "share"),
                seed=group_seed(seed, grouping=f"places of {grouping}", group_key=key),
                replicates=replicates,
            )
            if made is not None:
                words = sentence(made, first=names[first], other=names[other])
                rows.append(_effect_row(made, grouping, f"{scheme}/{first}", f"{scheme}/{other}", words))
    return rows


def _effect_row(made: PlaceEffect, grouping: str, first: str, other: str, words: str) -> Row:
    least = 2 * FEW_CLUSTERS
    few = rough_interval(made.players, "player", needed=least) if made.players < least else None
    return {
        "grouping": grouping,
        "group_key": first,
        "other_key": other,
        "odds_ratio": _finite(made.ratio.estimate),
        "odds_ratio_low": _finite(made.ratio.low),
        "odds_ratio_high": _finite(made.ratio.high),
        "p": _finite(made.p),
        "share": made.share,
        "other_share": made.other_share,
        "unmatched_odds_ratio": _finite(made.unmatched),
        "places": made.places,
        "places_alike": made.places_alike,
        "players": made.players,
        "coverage": made.coverage,
        "sentence": words,
        "warning": few,
    }


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _likenesses(
    con: duckdb.DuckDBPyConnection, told: pl.DataFrame, *, seed: int, replicates: int
) -> tuple[list[Row], list[Row]]:
    players, places = (sorted(told[c].unique().to_list()) for c in ("player_id", "written_place_id"))
    whole = _matrix(told, players, places)
    taught = {frozenset(pair) for pair in con.sql("select teacher_id, student_id from base.teaching").fetchall()}
    beyond = np.full((len(players), len(players)), np.nan)
    links = np.zeros(beyond.shape, dtype=np.bool_)
    rows = []
    for i, j in combinations(range(len(players)), 2):
        links[i, j] = links[j, i] = frozenset((players[i], players[j])) in taught
        stream = group_seed(seed, grouping="likeness", group_key=f"{players[i]}:{players[j]}")
        made = likeness(whole.slid, whole.told, i, j, seed=stream, replicates=replicates)
        if made is not None:
            rows.append(_pair_row(made, players[i], players[j], taught=bool(links[i, j])))
            beyond[i, j] = beyond[j, i] = made.beyond
    tested = taught_pairs(beyond, links, seed=group_seed(seed, grouping="likeness", group_key="students"))
    if tested is None:
        return rows, []
    return rows, [{"links": "teacher_and_student"} | vars(tested) | {"warning": pairs_warning(tested.taught)}]


def _pair_row(made: Likeness, first: str, other: str, *, taught: bool) -> Row:
    few = f"rough: both slid at {short_of(made.both, FEW_BOTH, 'place', 'a sure likeness')}"
    return {
        "player_id": first,
        "other_player_id": other,
        "are_teacher_and_student": taught,
        "places": made.places,
        "both_slid": made.both,
        "one_slid": made.one,
        "neither_slid": made.neither,
        "kappa": made.kappa,
        "kappa_of_places": made.kappa_of_places,
        "beyond": made.beyond,
        "beyond_low": _finite(made.low),
        "beyond_high": _finite(made.high),
        "warning": few if made.both < FEW_BOTH else None,
    }
