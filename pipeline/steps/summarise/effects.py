"""Birth, recording date, process, accompaniment and instrument side by side in a regression over takes."""

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.stats.detection import corrected
from pipeline.stats.estimates import MEASURES, corrected_columns, group_seed, source_columns
from pipeline.stats.rates import FEW_CLUSTERS, rough_interval
from pipeline.stats.regression import Effect, dated_regression, negative_binomial, regression
from pipeline.steps.summarise.correction import Correction
from pipeline.steps.summarise.families import with_holm
from pipeline.store import schema
from pipeline.units import Floats

# Dates in decades of 3652.425 days.
_TAKES = """select
    tally.timed_found_slides as timed_slides, tally.timed_minutes, tally.slid_transitions, tally.transitions,
    tally.take_id, tally.player_id,
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
Fit = Callable[[Floats, Floats, Floats], list[Effect] | None]
# A span this short, in decades, is a date: half of a year.
_DATED_WITHIN = 0.05


def effects(con: duckdb.DuckDBPyConnection, known: Correction | None, *, seed: int) -> pl.DataFrame:
    """Rows of ``result.effect``; needs the temporary table ``take_expected``."""
    takes = con.sql(_TAKES).pl()
    per_find = None if known is None else known.of_takes(takes)
    source = source_columns(None if known is None else known.whole())
    rows: list[dict[str, Any]] = []
    for model, terms in _MODELS.items():
        for measure in ("slides_per_minute", "slides_per_100_transitions", "observed_over_expected"):
            rows += [source | row for row in _rows(takes, model, terms, measure, per_find, seed=seed)]
    wanted = schema.load("effect", "result").polars_schema()
    frame = pl.DataFrame(rows, schema=wanted, orient="row").drop("p_holm", "terms_in_family")
    return with_holm(frame, ["model", "measure"], number="terms_in_family").select(wanted.names())


def _rows(
    takes: pl.DataFrame, model: str, terms: dict[str, str], measure: str, per_find: Floats | None, *, seed: int
) -> list[dict[str, Any]]:
    counts, exposures, _ = MEASURES[measure]
    used = takes.with_row_index("row").filter(pl.col(exposures) > 0)
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
    fit: Fit = partial(regression, names=varying, players=players)
    if drawn:
        stream = group_seed(seed, grouping=model, group_key=measure)
        dated = varying.index("recorded")
        fit = partial(dated_regression, names=varying, players=players, dated=dated, half_spans=half, seed=stream)
    made = fit(*given)
    squared = None if drawn else negative_binomial(*given, names=varying, players=players)
    others: Sequence[Effect | None] = squared or [None] * len(made or ())
    number = len(set(players))
    mended: Sequence[Effect | None] = [None] * len(made or ())
    if per_find is not None and made:
        mended = _mended(fit, *given, per_find[used["row"].to_numpy()])
    return [
        {
            "model": model,
            "measure": measure,
            "term": terms[effect.term],
            "ratio": effect.ratio.estimate,
            "ratio_low": effect.ratio.low,
            "ratio_high": effect.ratio.high,
            "p": effect.p if np.isfinite(effect.p) else None,
            **(corrected_columns(again.ratio, name="ratio_corrected") if again else {}),
            **(corrected_columns(other.ratio, name="ratio_negative_binomial") if other else {}),
            "dates": "drawn given the counts" if drawn else "middles of spans",
            "takes": used.height,
            "players": number,
            "reading": _READINGS.get(effect.term),
            "warning": rough_interval(number, "player") if number < FEW_CLUSTERS else None,
        }
        for effect, again, other in zip(made or (), mended, others, strict=True)
    ]


def _mended(fit: Fit, counts: Floats, exposures: Floats, terms: Floats, per_find: Floats) -> Sequence[Effect | None]:
    """The regression with each take's exposure divided by its true slides per find; what the draws of these leave open
    moves the coefficients as it would move a weighted least-squares fit of their logarithms."""
    made = fit(counts, exposures / per_find.mean(axis=1), terms)
    if made is None:
        return [None] * terms.shape[1]
    weight = (counts + 0.5)[:, None]
    design = np.column_stack([np.ones(counts.size), terms - terms.mean(axis=0)])
    moved = np.exp(np.linalg.lstsq(design * np.sqrt(weight), np.log(per_find) * np.sqrt(weight), rcond=None)[0])
    left = moved / moved.mean(axis=1, keepdims=True)
    return [
        Effect(effect.term, corrected(effect.ratio, left[place]), effect.p)
        for place, effect in enumerate(made, start=1)
    ]
