"""Whether students resemble their own teachers more than others who could have taught then."""

from collections.abc import Iterator, Mapping
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.stats.correction import UNCORRECTED, Factor
from pipeline.stats.estimates import MEASURES, OF_PLAYERS, group_seed
from pipeline.stats.resemblance import Links, link_weights, pairs_warning, resemblances, residuals
from pipeline.steps.summarise.families import with_holm
from pipeline.store import schema
from pipeline.units import Floats

_PLAYERS = """select player.player_id,
    (year(player.born_earliest) + year(player.born_latest)) / 2 as born,
    total(tally.weight * tally.timed_found_slides) as timed_slides,
    total(tally.weight * tally.timed_minutes) as timed_minutes,
    total(tally.weight * tally.slid_transitions) as slid_transitions,
    total(tally.weight * tally.transitions) as transitions,
    total(tally.weight * expected.expected_slides) as expected_slides,
    avg((epoch(tally.recorded_earliest) + epoch(tally.recorded_latest)) / 2 / 86400 / 365.2425) as recorded
from base.player
left join fact.take_tally as tally on tally.player_id = player.player_id and tally.state = 'judged'
left join take_expected as expected
    on expected.take_id = tally.take_id and expected.player_id is not distinct from tally.player_id
group by all order by player.player_id"""
LEAST_FOR_LINE = 5
_LINKS = """select student_id, teacher_id, arg_max(teaching.certainty, certainty.rank) as certainty
from base.teaching join stage.certainty on certainty.certainty = teaching.certainty
group by all order by all"""


FROM_BIRTH = "expected_from_birth"
"""Name of what is asked of a generation beside its rate: what its players' years of birth alone would give."""


def birth_rows(con: duckdb.DuckDBPyConnection, clusters: pl.DataFrame) -> Iterator[dict[str, Any]]:
    """Rows of ``result.estimate`` for generations: the rate of players born when its players were, whoever taught them.

    A straight line of log rates over birth, scaled so that all players together have as many slides as they have.

    Parameters
    ----------
    clusters : rows of ``tally.by_cluster`` of the grouping ``lineage``.
    """
    players = con.sql(_PLAYERS).pl()
    born = players["born"].fill_null(np.nan).to_numpy().astype(np.float64)
    for measure in ("slides_per_minute", "slides_per_100_transitions"):
        counts, exposures, factor = MEASURES[measure]
        c, e = (players[name].fill_null(0.0).to_numpy().astype(np.float64) for name in (counts, exposures))
        used = (e > 0) & np.isfinite(born)
        if used.sum() < LEAST_FOR_LINE or np.ptp(born[used]) == 0 or c[used].sum() == 0:
            continue
        slope, height = np.polyfit(born[used], np.log((c[used] + 0.5) / e[used]), 1)
        rate = np.exp(height + slope * born)
        rate *= c[used].sum() / (e[used] @ rate[used])
        of_player = dict(zip(players["player_id"], rate, strict=True))
        known = clusters.with_columns(
            pl.col("cluster").replace_strict(of_player, default=None, return_dtype=pl.Float64).alias("from_birth")
        ).filter(pl.col("from_birth").is_finite() & (pl.col(exposures) > 0))
        sums = known.group_by("group_key", maintain_order=True).agg(
            (pl.col(exposures) * pl.col("from_birth")).sum().alias("slides"), pl.col(exposures).sum(), pl.len()
        )
        for key, slides, exposure, number in sums.iter_rows():
            yield {
                "grouping": "lineage",
                "group_key": key,
                "measure": measure,
                "estimand": FROM_BIRTH,
                "rate": factor * slides / exposure,
                "method": "straight line of log rates over birth",
                "cluster_unit": "player",
                "clusters": number,
                "effective_clusters": float(number),
                "replicates": 0,
            }


def lineage_tests(con: duckdb.DuckDBPyConnection, factors: Mapping[str, Factor], *, seed: int) -> pl.DataFrame:
    """Rows of ``result.lineage_test``: for each rate, by certain links alone and by all; needs ``take_expected``.

    Where the true slides per find of players are known (``factors``), rates are corrected by them first.
    """
    players, taught = con.sql(_PLAYERS).pl(), con.sql(_LINKS).pl()
    source = next((each.source for each in factors.values()), UNCORRECTED)
    left = [_left(players, measure, factors) for measure in OF_PLAYERS]
    rows: list[dict[str, Any]] = []
    for which in ("certain", "all"):
        links = _links(taught if which == "all" else taught.filter(pl.col("certainty") == "certain"), players)
        stream = tuple(group_seed(seed, grouping="lineage", group_key=which))
        for measure, made in zip(OF_PLAYERS, resemblances(links, left, seed=stream), strict=True):
            if made.pairs == 0:
                continue
            rows.append(
                {
                    "measure": measure,
                    "links": which,
                    "pairs": made.pairs,
                    "teachers": made.teachers,
                    "resemblance": made.resemblance,
                    "p": made.p,
                    "candidates": made.candidates,
                    "power": made.power,
                    "correction": source,
                    "warning": pairs_warning(made.pairs),
                }
            )
    wanted = schema.load("lineage_test", "result").polars_schema()
    frame = pl.DataFrame(rows, schema=wanted, orient="row").drop("p_holm", "rates_in_family")
    return with_holm(frame, ["links"], number="rates_in_family").select(wanted.names())


def _left(players: pl.DataFrame, measure: str, factors: Mapping[str, Factor]) -> Floats:
    """What birth and date leave of the logarithm of each player's rate, corrected where it can be; NaN without any."""
    counts, exposures, _ = MEASURES[measure]
    c, e = (players[name].fill_null(0.0).to_numpy().astype(np.float64) for name in (counts, exposures))
    with np.errstate(divide="ignore"):
        logs = np.where(e > 0, np.log((c + 0.5) / e), np.nan)
    logs += [np.log(factors[name].whole.mean()) if name in factors else 0.0 for name in players["player_id"]]
    logs[players["born"].is_null().to_numpy()] = np.nan
    return residuals(logs, players["born"].fill_null(np.nan).to_numpy(), _recorded(players))


def _recorded(players: pl.DataFrame) -> Floats | None:
    """Mean recording year of each player, that of all where it is unknown; None if it is known of nobody."""
    known = players["recorded"]
    return None if known.null_count() == known.len() else known.fill_null(known.mean()).to_numpy().astype(np.float64)


def _links(taught: pl.DataFrame, players: pl.DataFrame) -> Links:
    number = {name: place for place, name in enumerate(players["player_id"])}
    born = players["born"].fill_null(np.nan).to_numpy().astype(np.float64)
    students = np.array([number[name] for name in taught["student_id"]], dtype=np.intp)
    teachers = np.array([number[name] for name in taught["teacher_id"]], dtype=np.intp)
    dated = np.isfinite(born[students]) & np.isfinite(born[teachers]) if students.size else np.zeros(0, dtype=bool)
    return Links(
        students[dated],
        teachers[dated],
        link_weights(students, taught["certainty"].to_list())[dated],
        born,
        np.full(born.size, -1),
    )
