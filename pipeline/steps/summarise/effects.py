"""Birth, recording date, process, accompaniment and instrument side by side in a regression over takes."""

from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.stats.estimates import MEASURES, group_seed
from pipeline.stats.rates import FEW_CLUSTERS
from pipeline.stats.regression import dated_regression, regression
from pipeline.store import schema

# Dates in decades of 3652.425 days.
_TAKES = """select
    tally.timed_slides, tally.timed_minutes, tally.slides, tally.transitions, tally.player_id,
    coalesce(expected.slid_transitions, 0) as slid_transitions,
    coalesce(expected.expected_slides, 0) as expected_slides,
    (epoch(player.born_earliest) + epoch(player.born_latest)) / 2 / 86400 / 3652.425 as born,
    (epoch(tally.recorded_earliest) + epoch(tally.recorded_latest)) / 2 / 86400 / 3652.425 as recorded,
    (epoch(tally.recorded_latest) - epoch(tally.recorded_earliest)) / 2 / 86400 / 3652.425 as half_span,
    (tally.process = 'electrical')::double as electrical,
    (tally.accompaniment <> 'none')::double as accompanied,
    (tally.instrument = 'viola')::double as viola,
    (tally.instrument = 'cello')::double as cello,
    tally.process, tally.accompaniment
from fact.take_tally as tally
join base.player on player.player_id = tally.player_id
left join take_expected as expected
    on expected.take_id = tally.take_id and expected.player_id is not distinct from tally.player_id
where tally.state = 'judged' and tally.weight > 0
    and player.born_earliest is not null and player.born_latest is not null
    and tally.recorded_earliest is not null and tally.recorded_latest is not null
order by tally.take_id, tally.player_id"""

_DATES = {"born": "a decade later born", "recorded": "a decade later recorded"}
_MODELS = {
    "birth and recording": _DATES,
    "birth, recording, process, accompaniment, instrument": _DATES
    | {
        "electrical": "electrical against acoustic",
        "accompanied": "accompanied against alone",
        "viola": "viola against violin",
        "cello": "cello against violin",
    },
}
_ONE_EQUATION = (
    "age, birth and date are one equation (age = date - birth): with birth held, the effect of date is that of growing "
    "older; no method can tell the three apart"
)
_READINGS = {
    "born": f"ten years later born, same date: later and younger; {_ONE_EQUATION}",
    "recorded": f"ten years later recorded, same birth: older and later; {_ONE_EQUATION}",
}
# A span this short, in decades, is a date: half of a year.
_DATED_WITHIN = 0.05


def effects(con: duckdb.DuckDBPyConnection, *, seed: int) -> pl.DataFrame:
    """Rows of ``result.effect``; needs the temporary table ``take_expected``."""
    takes = con.sql(_TAKES).pl()
    rows: list[dict[str, Any]] = []
    for model, terms in _MODELS.items():
        for measure in ("slides_per_minute", "slides_per_100_transitions", "observed_over_expected"):
            rows += _rows(takes, model, terms, measure, seed=seed)
    return pl.DataFrame(rows, schema=schema.load("effect", "result").polars_schema(), orient="row")


def _rows(takes: pl.DataFrame, model: str, terms: dict[str, str], measure: str, *, seed: int) -> list[dict[str, Any]]:
    counts, exposures, _ = MEASURES[measure]
    used = takes.filter(pl.col(exposures) > 0)
    if len(terms) > len(_DATES):
        used = used.filter((pl.col("process") != "unknown") & (pl.col("accompaniment") != "unknown"))
    varying = [name for name in terms if used[name].drop_nulls().n_unique() > 1]
    if not set(_DATES) <= set(varying):
        return []
    used = used.with_columns(pl.col("viola", "cello").fill_null(0.0))
    players = used["player_id"].to_list()
    half = used["half_span"].to_numpy()
    given = used[counts].to_numpy(), used[exposures].to_numpy(), used.select(varying).to_numpy()
    drawn = bool(np.mean(half > _DATED_WITHIN) > 0.5)
    if drawn:
        stream = group_seed(seed, grouping=model, group_key=measure)
        made = dated_regression(
            *given, names=varying, players=players, dated=varying.index("recorded"), half_spans=half, seed=stream
        )
    else:
        made = regression(*given, names=varying, players=players)
    number = len(set(players))
    return [
        {
            "model": model,
            "measure": measure,
            "term": terms[effect.term],
            "ratio": effect.ratio.estimate,
            "ratio_low": effect.ratio.low,
            "ratio_high": effect.ratio.high,
            "p": effect.p if np.isfinite(effect.p) else None,
            "dates": "drawn given the counts" if drawn else "middles of spans",
            "takes": used.height,
            "players": number,
            "reading": _READINGS.get(effect.term),
            "warning": f"only {number} players: rough interval" if number < FEW_CLUSTERS else None,
        }
        for effect in made or ()
    ]
