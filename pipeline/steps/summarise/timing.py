"""The speeds' own error in rates per minute: a side that plays a semitone slower than thought lasts 6 % longer."""

from collections.abc import Mapping, Sequence

import duckdb
import numpy as np
import polars as pl
from scipy import special

from pipeline.steps.summarise.parts import SLIDE_GROUPINGS
from pipeline.units import NEPERS_PER_CENT

PER_MINUTE = "slides_per_minute"
_GROUP = ["grouping", "group_key"]
# Half of the 95 % range of each group's minutes, in cents. Sides of one recording session may share what is wrong with
# their speed (the pitch it is read by), so their errors add up; those of other sessions add in squares.
_REACH = """
with timed as (
    select span.take_id, span.player_id,
        total(span.minutes * coalesce(speed.offset_high_cents - speed.offset_low_cents, 0) / 2) as reach
    from stage.counted_span as span
    join base.speed as speed on speed.transfer_id = span.transfer_id
    where span.speed_state is distinct from 'unmeasurable'
    group by all
),
session as (
    select member.grouping, member.group_key, take.session_key,
        total(member.weight * timed.reach) as reach, total(member.weight * take.timed_minutes) as minutes
    from tally.take_in_group as member
    join fact.take_tally as take
        on take.take_id = member.take_id and take.player_id is not distinct from member.player_id
    join timed on timed.take_id = take.take_id and timed.player_id is not distinct from take.player_id
    where list_contains($1, member.grouping) and take.state = 'judged'
    group by all
)
select grouping, group_key, sqrt(total(reach ** 2)) / total(minutes) as reach
from session group by all having total(minutes) > 0 order by all
"""


def speed_reach(con: duckdb.DuckDBPyConnection, clusters: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Rows grouping, group_key, reach: half of the 95 % range of the logarithm of each group's minutes.

    Groups of slides have that of the corpus. ``clusters`` are rows of ``tally.by_cluster`` of each grouping.
    """
    made: pl.DataFrame = con.sql(_REACH, params=[sorted({*clusters, "corpus"})]).pl()
    made = made.with_columns(pl.col("reach") * NEPERS_PER_CENT)
    whole = made.filter(grouping="corpus")["reach"]
    slides = [clusters[name].select(_GROUP).unique() for name in SLIDE_GROUPINGS if name in clusters]
    if not whole.len() or not slides:
        return made
    return pl.concat([made, pl.concat(slides).with_columns(pl.lit(whole[0]).alias("reach"))])


def rates_with_speed_error(rates: pl.DataFrame, reach: pl.DataFrame) -> pl.DataFrame:
    """Rows of ``result.estimate`` whose limits per minute hold the speeds' error too."""
    joined = rates.join(reach, on=_GROUP, how="left", maintain_order="left")
    return _widened(joined, ("rate", "low", "high"), ("corrected", "corrected_low", "corrected_high")).drop("reach")


def ratios_with_speed_error(ratios: pl.DataFrame, reach: pl.DataFrame) -> pl.DataFrame:
    """Rows of ``result.comparison`` likewise, the errors of both groups in squares, and p made of the same error.

    Besides its columns ``ratios`` has ``log_se`` and ``freedom``, those of the logarithm that p was made of.
    """
    source = pl.when(pl.col("grouping") == "teacher_and_student").then(pl.lit("player")).otherwise(pl.col("grouping"))
    joined = ratios.with_columns(source.alias("source"))
    for key, name in (("group_key", "own"), ("other_key", "others")):
        joined = joined.join(
            reach.rename({"reach": name}), left_on=["source", key], right_on=_GROUP, how="left", maintain_order="left"
        )
    both = (pl.col("own").fill_null(0.0) ** 2 + pl.col("others").fill_null(0.0) ** 2).sqrt()
    names = [(name, f"{name}_low", f"{name}_high") for name in ("ratio", "ratio_corrected")]
    made = _widened(joined.with_columns(both.alias("reach")), *names)
    return made.with_columns(_p_with_speed_error(made)).select(ratios.columns)


def _p_with_speed_error(ratios: pl.DataFrame) -> pl.Series:
    """The statistic that p was made of, divided as the error of the logarithm grows."""
    given = (ratios[name].cast(pl.Float64).fill_null(np.nan).to_numpy() for name in ("p", "log_se", "freedom"))
    p, log_se, freedom = given
    sd = np.where(ratios["measure"] == PER_MINUTE, ratios["reach"].to_numpy(), 0.0) / special.ndtri(0.975)
    with np.errstate(invalid="ignore"):
        statistic = -special.stdtrit(freedom, p / 2) * log_se / np.hypot(log_se, sd)
        widened = 2 * special.stdtr(freedom, -statistic)
    return pl.Series("p", np.where(sd > 0, widened, p)).fill_nan(None)


def _widened(frame: pl.DataFrame, *names: Sequence[str]) -> pl.DataFrame:
    """Limits whose distances from the estimate on the logarithm add in squares with ``reach``; a 0 stays."""
    reach = pl.when(pl.col("measure") == PER_MINUTE).then(pl.col("reach").fill_null(0.0)).otherwise(0.0)
    made = []
    for middle, low, high in names:
        up, down = ((pl.col(high) / pl.col(middle)).log(), (pl.col(middle) / pl.col(low)).log())
        has_error = reach > 0
        is_above = has_error & (pl.col(middle) > 0)
        made += [
            pl.when(is_above & (pl.col(low) > 0))
            .then(pl.col(middle) * (-(down**2 + reach**2).sqrt()).exp())
            .otherwise(pl.col(low))
            .alias(low),
            pl.when(is_above)
            .then(pl.col(middle) * (up**2 + reach**2).sqrt().exp())
            .when(has_error)
            .then(pl.col(high) * reach.exp())
            .otherwise(pl.col(high))
            .alias(high),
        ]
    return frame.with_columns(made)
