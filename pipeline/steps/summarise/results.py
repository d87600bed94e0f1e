"""The tables of the layer ``result``, made from the facts of a database connection."""

from collections.abc import Callable, Collection, Mapping, Sequence
from functools import partial
from typing import Any

import duckdb
import polars as pl

from pipeline.stats.correction import Factor
from pipeline.stats.detection import corrected
from pipeline.stats.estimates import PER_BAR, SCHEMA, corrected_columns, estimates, pooled_by_measure, source_columns
from pipeline.stats.intervals import Interval
from pipeline.steps.summarise.comparisons import comparisons
from pipeline.steps.summarise.correction import Correction, correction
from pipeline.steps.summarise.dates import Dated, dated, drawn_rows
from pipeline.steps.summarise.editions import editions_followed
from pipeline.steps.summarise.effects import effects
from pipeline.steps.summarise.factors import OfSlides, OfTakes
from pipeline.steps.summarise.finds import finds_of
from pipeline.steps.summarise.lineage import birth_rows, lineage_tests
from pipeline.steps.summarise.parts import BAR, SLIDE_GROUPINGS, Parts
from pipeline.steps.summarise.places import TABLES as OF_PLACES
from pipeline.steps.summarise.places import place_results
from pipeline.steps.summarise.players import player_effects
from pipeline.steps.summarise.quartiles import quartiles
from pipeline.steps.summarise.recalibration import recalibration
from pipeline.steps.summarise.repertoire import (
    GROUPINGS,
    Repertoire,
    expected_by_cluster,
    expected_of_takes,
    repertoire,
    standardised_rows,
)
from pipeline.steps.summarise.shares import CHORDS, SHIFTS, shares
from pipeline.steps.summarise.timing import rates_with_speed_error, speed_reach
from pipeline.store import schema

Factors = Mapping[str, OfTakes | OfSlides]
"""True slides per find of the groups of each grouping; no grouping where nothing is known."""
# Where the spread between clusters is learnt: between the sessions of each player, and between all players.
POOLS = {"session": "player", "player": "corpus"}


def result_tables(
    con: duckdb.DuckDBPyConnection,
    *,
    seed: int,
    replicates: int,
    recalibrate: bool = True,
    groupings: Collection[str] | None = None,
    tables: Collection[str] | None = None,
) -> dict[str, pl.DataFrame]:
    """The rows of each result table, checked against its schema.

    Parameters
    ----------
    con : a connection with the layers up to ``tally``.
    recalibrate : whether confidences follow what listeners heard.
    groupings : those of ``tally.grouping`` that are needed; None for all.
    tables : names of the tables that are needed; None for all.
    """
    names = [relation.name for relation in schema.relations("result") if tables is None or relation.name in tables]
    listed = con.sql("select grouping, cluster_unit, has_quartiles from tally.grouping order by grouping").fetchall()
    wanted = [row for row in listed if groupings is None or row[0] in groupings]
    changes = repertoire(con)
    units = {row[0]: row[1] for row in wanted}
    clusters = _clusters(con, {*units, *POOLS.values()})
    dates = dated(con, seed=seed) if "period" in units else []
    parts = Parts(con)
    finds, measured = finds_of(con)
    known = correction(con, parts, finds, seed=seed)
    made = {}
    if "quartile" in names:
        some = [name for name, _, has_any in wanted if has_any]
        made["quartile"] = quartiles(some, parts, finds, measured, known)
    del finds, measured  # as soon as may be: they are the largest that is held
    made |= _of_correction(con, parts, known, names, seed=seed)
    factors = {} if known is None else {name: known.factors(parts, name) for name in clusters}
    del known
    whole = factors["corpus"].get("corpus") if factors else None
    of_players: Mapping[str, Factor] = factors.get("player", {})
    estimate = _estimates(con, clusters, units, changes, dates, factors, whole, seed=seed, replicates=replicates)
    reach = speed_reach(con, {name: clusters[name] for name in units})
    made["estimate"] = rates_with_speed_error(estimate, reach)
    drawn: dict[str, Any] = {"seed": seed, "replicates": replicates}
    others: Mapping[str, Callable[[], pl.DataFrame]] = {
        "comparison": lambda: comparisons(con, clusters, estimate, dates, factors, reach, **drawn),
        **{share.table: partial(shares, con, share, POOLS, **drawn) for share in (CHORDS, SHIFTS)},
        "recalibration": lambda: recalibration(con, wanted=recalibrate, seed=seed),
        "expected_slides": lambda: expected_of_takes(con),
        "player_effect": lambda: player_effects(clusters["player"], of_players, whole),
        "lineage_test": lambda: lineage_tests(con, of_players, seed=seed),
        "edition_followed": lambda: editions_followed(con, seed=seed),
    }
    made |= {name: make() for name, make in others.items() if name in names}
    if wanted_of_places := set(names).intersection(OF_PLACES):
        made |= place_results(con, **drawn, tables=wanted_of_places)
    return {name: _checked(name, frame) for name, frame in made.items()}


def _of_correction(
    con: duckdb.DuckDBPyConnection, parts: Parts, known: Correction | None, names: Collection[str], *, seed: int
) -> dict[str, pl.DataFrame]:
    """What is known of slides missed and invented, and what is made by it find by find."""
    made = {}
    if "slides_per_find" in names:
        made["slides_per_find"] = pl.DataFrame() if known is None else known.table()
    if "finger_share" in names:
        made["finger_share"] = pl.DataFrame() if known is None else known.finger_shares(parts)
    if "effect" in names:
        made["effect"] = effects(con, known, seed=seed)
    return made


def _checked(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    relation = schema.load(name, "result")
    return relation.checked(frame if frame.width else relation.empty()).sort(relation.key)


def _corrected(row: Mapping[str, Any], factor: Factor | None) -> dict[str, Any]:
    """The columns of a corrected rate, for a rate that was made from whole groups."""
    columns = source_columns(factor)
    if factor is None or row["rate"] is None or row.get("low") is None:
        return columns
    made = corrected(Interval(row["rate"], row["low"], row["high"]), factor.whole)
    return columns | corrected_columns(made, most=100.0 if "per_100" in row["measure"] else None)


def _of_groupings(con: duckdb.DuckDBPyConnection, view: str, names: Collection[str]) -> dict[str, pl.DataFrame]:
    """The rows of a view of ``tally`` by grouping."""
    listed = ", ".join(f"'{name}'" for name in sorted(set(names)))
    frame: pl.DataFrame = con.sql(f"select * from tally.{view} where grouping in ({listed}) order by all").pl()
    return {name: frame.filter(grouping=name) for name in names}


def _clusters(con: duckdb.DuckDBPyConnection, names: Collection[str]) -> dict[str, pl.DataFrame]:
    """Rows of ``tally.by_cluster`` by grouping, with the slides to be expected of anybody at such changes."""
    expected = expected_by_cluster(con, [name for name in names if name not in (*SLIDE_GROUPINGS, BAR)])
    return {
        name: frame.join(
            expected, on=["grouping", "group_key", "cluster"], how="left", maintain_order="left"
        ).with_columns(pl.col("expected_slides").fill_null(0.0))
        for name, frame in _of_groupings(con, "by_cluster", names).items()
    }


def _estimates(
    con: duckdb.DuckDBPyConnection,
    clusters: Mapping[str, pl.DataFrame],
    units: Mapping[str, str],
    changes: Repertoire,
    dates: Sequence[Dated],
    factors: Factors,
    overall: Factor | None,
    *,
    seed: int,
    replicates: int,
) -> pl.DataFrame:
    pooled = {unit: pooled_by_measure(clusters[name]) for unit, name in POOLS.items()}
    people = {player_id for (player_id,) in con.sql("select player_id from base.player").fetchall()}
    made = {
        name: estimates(
            clusters[name],
            grouping=name,
            cluster_unit=unit,
            seed=seed,
            replicates=replicates,
            pooled=pooled[unit],
            within=pooled["session"] if unit == "player" else None,
            named=people if unit == "player" else None,
            factors=factors.get(name),
            overall=overall,
        )
        for name, unit in units.items()
    }
    if BAR in made:
        made[BAR] = made[BAR].filter(measure=PER_BAR)
    rows = [row for each in dates for row in drawn_rows(each)]
    rows += [row for name in GROUPINGS if name in units for row in standardised_rows(con, changes, name)]
    if "lineage" in units:
        rows += birth_rows(con, clusters["lineage"])
    rows = [row | _corrected(row, factors.get(row["grouping"], {}).get(row["group_key"], overall)) for row in rows]
    return pl.concat([*made.values(), pl.DataFrame(rows, schema=SCHEMA, orient="row")])
