"""Players as a random sample: each one's rate drawn towards the others'."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from pipeline.counted import short_of
from pipeline.stats.correction import Factor
from pipeline.stats.estimates import MEASURES, OF_PLAYERS, RELATIVE, corrected_columns, mended, source_columns
from pipeline.stats.intervals import Interval
from pipeline.stats.player_grid import player_grid
from pipeline.stats.rates import FEW_CLUSTERS
from pipeline.stats.whose_rate import LEAST_MEAN_SLIDES, LEAST_PLAYERS_FOR_SPREAD, players_rates, tells_spread
from pipeline.store import schema


def player_effects(sessions: pl.DataFrame, factors: Mapping[str, Factor], whole: Factor | None) -> pl.DataFrame:
    """Rows of ``result.player_effect``.

    Parameters
    ----------
    sessions : rows of ``tally.by_cluster`` of the grouping ``player``: the sessions of each player.
    factors, whole : true slides per find of each player, and of the corpus; none where nothing is known.
    """
    rows: list[dict[str, Any]] = []
    for measure in OF_PLAYERS:
        counts, exposures, factor = MEASURES[measure]
        used = sessions.filter((pl.col("group_key") != "~") & (pl.col(exposures) > 0)).sort("group_key", "cluster")
        players = used.group_by("group_key", maintain_order=True).agg(pl.col(counts).sum(), pl.col(exposures).sum())
        number = {name: place for place, name in enumerate(players["group_key"])}
        of_sessions = (
            used[counts].to_numpy(),
            used[exposures].to_numpy() / factor,
            np.array([number[name] for name in used["group_key"]], dtype=np.intp),
        )
        made = player_grid(*of_sessions)
        whose = players_rates(*of_sessions, posterior=made)
        if made is None or whose is None:
            continue
        intervals = {
            "average_rate": whose.average,
            "typical_rate": whose.typical,
            "player_spread": made.spread,
            "session_spread": made.session_spread,
        }
        shared = {
            "measure": measure,
            **{name + end: value for name, each in intervals.items() for end, value in _with_ends(each)},
            **_told(players[counts]),
            "method": "grid",
        }
        rows += [
            shared
            | {
                "player_id": player_id,
                "slides": count,
                "exposure": exposure / factor,
                "rate": factor * count / exposure,
                "shrunken_rate": made.rates[place],
                "shrunken_rate_low": made.low[place],
                "shrunken_rate_high": made.high[place],
            }
            | _corrected(
                Interval(made.rates[place], made.low[place], made.high[place]),
                factors.get(player_id),
                whole if measure == RELATIVE else None,
            )
            for place, (player_id, count, exposure) in enumerate(players.iter_rows())
        ]
    return pl.DataFrame(rows, schema=schema.load("player_effect", "result").polars_schema(), orient="row")


def _with_ends(interval: Interval) -> tuple[tuple[str, float], ...]:
    return ("", interval.estimate), ("_low", interval.low), ("_high", interval.high)


def _told(slides: pl.Series) -> dict[str, Any]:
    """Of how many players, with so many slides each, it is told how they differ, and what to be careful about."""
    players = slides.len()
    if not tells_spread(slides):
        least = short_of(players, LEAST_PLAYERS_FOR_SPREAD, "player", "telling how they differ")
        warning = f"{least}, as half of them have fewer than {LEAST_MEAN_SLIDES:g} slides"
        return {"players": players, "player_spread": None, "warning": warning}
    rough = f"rough spread: {short_of(players, FEW_CLUSTERS, 'player', 'a sure one')}"
    return {"players": players, "warning": rough if players < FEW_CLUSTERS else None}


def _corrected(drawn: Interval, factor: Factor | None, relative: Factor | None) -> dict[str, Any]:
    columns = source_columns(factor)
    return (
        columns
        if factor is None
        else columns | corrected_columns(mended(drawn, factor.whole, relative), name="shrunken_rate_corrected")
    )
