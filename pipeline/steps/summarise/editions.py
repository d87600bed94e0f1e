"""Which edition each take follows, by where it slides and by its likely fingers.

``evidence`` brings together what editions print and what takes do at the same places, ``followed`` weighs it: of whole
parts for the table of results, of some bars for whoever asks.
"""

from collections.abc import Callable
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.stats.editions import Following, Printed, following
from pipeline.stats.estimates import group_seed
from pipeline.store import schema
from pipeline.store.database.views import quoted

FOLLOWED_FROM = 1.0
"""Log 10 of the ratio from which an edition is called followed: ten to one (Jeffreys, Theory of Probability)."""

_TAKES = """select fit.take_id, fit.work_id, fit.edition, fit.state
from base.written_fit as fit
join stage.analysed_take as standing on standing.take_id = fit.take_id and standing.transfer_id = fit.transfer_id
where standing.state = 'judged' and {of_work}
order by all"""

# Fingers only where nobody slid: what a slide tells of them is counted as a slide.
_PLAYED = """select place.take_id, place.work_id, place.written_place_id, printed.edition,
    any_value(place.player_id) as player_id, avg((place.outcome = 'slid')::double) as slid,
    any_value(if(printed.slide_marked, 1, leaves.printed_shift::double)) as shift,
    avg(case comes.verdict when 'agree' then 1.0 when 'differ' then 0.0 end)
        filter (where place.outcome = 'not_slid' and comes.printed_finger is not null) as alike
from fact.written_place_take as place
join fact.written_place_printed as printed on printed.written_place_id = place.written_place_id
left join base.fingering_match as leaves
    on leaves.transfer_id = place.transfer_id and leaves.take_id = place.take_id and leaves.edition = printed.edition
    and leaves.note_number = printed.note_number and leaves.time_through = place.time_through
left join base.fingering_match as comes
    on comes.transfer_id = place.transfer_id and comes.take_id = place.take_id and comes.edition = printed.edition
    and comes.note_number = printed.to_note_number and comes.time_through = place.time_through
where place.weight > 0 and {of_work}
group by all
order by all"""

Row = dict[str, Any]
Query = Callable[[str], pl.DataFrame]


def editions_followed(con: duckdb.DuckDBPyConnection, *, seed: int) -> pl.DataFrame:
    """Rows of ``result.edition_followed``."""
    query: Query = lambda text: con.sql(text).pl()  # noqa: E731
    rows = followed(query, evidence(query), seed=seed)
    return pl.DataFrame(rows, schema=schema.load("edition_followed", "result").polars_schema(), orient="row")


def evidence(query: Query, work_id: str | None = None) -> pl.DataFrame:
    """What editions print and takes do: a row for each take, place that can be told, and edition that has it.

    Columns: take_id, work_id, written_place_id, edition, slid; shift (1 where the edition moves the hand or prints a
    slide, 0 where it keeps the hand), alike (share of the times on which the finger was the printed one), and chance
    (how often others have it there); empty where nothing is said. ``work_id``: only that work; None for all.
    """
    rows = _with_chance(query(_of(_PLAYED, "place", work_id)))
    return rows.drop("player_id").sort("take_id", "edition", "written_place_id")


def _of(text: str, table: str, work_id: str | None) -> str:
    """A query of all works, or of one."""
    one = "true" if work_id is None else f"{table}.work_id = {quoted(work_id)}"
    return text.format(of_work=one)


def _with_chance(rows: pl.DataFrame) -> pl.DataFrame:
    """With how often other players have the printed finger: at the place, with one guessed at the work's mean."""

    def others(by: list[str], name: str) -> list[pl.Expr]:
        """Sum and number over the rows of other players; rows without a named player are nobody's own."""
        own = pl.col("player_id").fill_null(pl.col("take_id"))
        count = pl.col("alike").is_not_null().cast(pl.Float64)
        sums = ((pl.col("alike").fill_null(0.0), "sum"), (count, "count"))
        return [(each.sum().over(by) - each.sum().over([*by, own])).alias(f"{name}_{kind}") for each, kind in sums]

    summed = rows.with_columns(*others(["written_place_id", "edition"], "place"), *others(["work_id"], "work"))
    mean = (pl.col("work_sum") + 0.5) / (pl.col("work_count") + 1.0)
    chance = (pl.col("place_sum") + mean) / (pl.col("place_count") + 1.0)
    known = summed.with_columns(chance=pl.when(pl.col("work_count") > 0).then(chance))
    return known.drop("place_sum", "place_count", "work_sum", "work_count")


def followed(query: Query, rows: pl.DataFrame, *, seed: int, work_id: str | None = None) -> list[Row]:
    """Of each take and edition of its work what rows of ``evidence`` say; of a take that does not fit, nothing.

    The rows have the columns of ``result.edition_followed``.
    """
    by_take: dict[tuple[str, str], dict[str, str]] = {}
    for take_id, of, edition, state in query(_of(_TAKES, "fit", work_id)).iter_rows():
        by_take.setdefault((take_id, of), {})[edition] = state
    made = []
    for (take_id, of), states in by_take.items():
        own: Row = {"take_id": take_id, "work_id": of}
        fitting = [edition for edition, state in states.items() if state == "placed"]
        stream = group_seed(seed, grouping="editions", group_key=take_id)
        told = _of_take(rows.filter(take_id=take_id, work_id=of), fitting, stream)
        for edition in states:
            said = _row(*told[edition]) if edition in told else {"state": "other_music"}
            made.append(own | {"edition": edition} | said)
    return made


def _of_take(rows: pl.DataFrame, editions: list[str], seed: Any) -> dict[str, tuple[Following | None, int]]:
    """The evidence for each edition, and of how many places it says something."""
    places = rows.select("written_place_id", "slid").unique().sort("written_place_id")
    at = {place: i for i, place in enumerate(places["written_place_id"])}
    printed = np.full((3, len(editions), len(at)), np.nan)
    for row in rows.iter_rows(named=True):
        if row["edition"] in editions:
            where = editions.index(row["edition"]), at[row["written_place_id"]]
            for k, name in enumerate(("shift", "alike", "chance")):
                printed[k][where] = np.nan if row[name] is None else row[name]
    found = following(places["slid"].to_numpy(), Printed(*printed), seed=seed)
    shift, alike, chance = map(np.isfinite, printed)
    said = (shift | alike & chance).sum(axis=1).tolist()
    return dict(zip(editions, zip(found, said, strict=True), strict=True))


def _row(made: Following | None, places: int) -> Row:
    if made is None:
        return {"state": "too_little", "places": places}
    alone = np.isnan(made.against_others)
    verdict = "cannot_tell"
    if made.log_ratio >= FOLLOWED_FROM and made.low > 0 and (alone or made.against_low > 0):
        verdict = "followed"
    elif made.high < 0:
        verdict = "not_followed"
    return {
        "state": "told",
        "places": places,
        "verdict": verdict,
        "shifts": made.shifts,
        "shifts_slid": made.shifts_slid,
        "others": made.others,
        "others_slid": made.others_slid,
        "fingers": made.fingers,
        "fingers_alike": made.fingers_alike,
        "log10_ratio": made.log_ratio,
        "log10_ratio_low": made.low,
        "log10_ratio_high": made.high,
        "log10_ratio_of_fingers": made.of_fingers,
        "against_others": None if alone else made.against_others,
        "against_others_low": None if alone else made.against_low,
        "against_others_high": None if alone else made.against_high,
    }
