"""Which edition each take follows, by where it slides."""

from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.hand.fingerboard import Fingerboard, fingerboard
from pipeline.stats.editions import Following, following
from pipeline.stats.estimates import group_seed
from pipeline.steps.hand.printed import printed_shift_of
from pipeline.store import schema

FOLLOWED_FROM = 1.0
"""Log 10 of the ratio from which an edition is called followed: ten to one (Jeffreys, Theory of Probability)."""

_TAKES = """select fit.take_id, fit.work_id, fit.edition, fit.state,
    coalesce(min(tally.instrument), 'violin') as instrument
from base.written_fit as fit
join stage.analysed_take as standing on standing.take_id = fit.take_id and standing.transfer_id = fit.transfer_id
join stage.reference_part as reference on reference.work_id = fit.work_id and reference.edition = fit.edition
join fact.take_tally as tally on tally.take_id = fit.take_id
where standing.state = 'judged'
group by all
order by all"""

_PLAYED = """select take_id, written_place_id, avg((outcome = 'slid')::double) as slid
from fact.written_place_take where weight > 0 group by all order by all"""

_PRINTED = """select printed.*, place.from_midi, place.to_midi
from fact.written_place_printed as printed join fact.written_place as place using (written_place_id)
order by printed.work_id, printed.edition, printed.written_place_id"""

Row = dict[str, Any]


def editions_followed(con: duckdb.DuckDBPyConnection, *, seed: int) -> pl.DataFrame:
    """Rows of ``result.edition_followed``."""
    takes = {(row["take_id"], row["work_id"]): row for row in con.sql(_TAKES).pl().iter_rows(named=True)}
    played: dict[str, dict[str, float]] = {}
    for take_id, place, slid in con.sql(_PLAYED).fetchall():
        played.setdefault(take_id, {})[place] = slid
    printed: dict[str, dict[str, dict[str, Row]]] = {}
    for row in con.sql(_PRINTED).pl().iter_rows(named=True):
        printed.setdefault(row["work_id"], {}).setdefault(row["edition"], {})[row["written_place_id"]] = row
    rows = []
    for (take_id, work_id), take in takes.items():
        editions = printed.get(work_id, {})
        own: Row = {"take_id": take_id, "work_id": work_id}
        if take["state"] != "placed":
            rows += [own | {"edition": edition, "state": "other_music"} for edition in editions]
            continue
        slid = played.get(take_id, {})
        board = fingerboard(take["instrument"] if take["instrument"] in INSTRUMENTS else "violin")
        shift = np.array([[_shift(places.get(place), board) for place in slid] for places in editions.values()])
        found = following(
            np.array(list(slid.values())),
            shift.reshape(len(editions), len(slid)),
            seed=group_seed(seed, grouping="editions", group_key=take_id),
        )
        rows += [own | {"edition": edition} | _row(made) for edition, made in zip(editions, found, strict=True)]
    return pl.DataFrame(rows, schema=schema.load("edition_followed", "result").polars_schema(), orient="row")


def _shift(place: Row | None, board: Fingerboard) -> float:
    """1 where the edition moves the hand or prints a slide, 0 where it keeps the hand, NaN where it does not say."""
    if place is None:
        return np.nan
    if place["slide_marked"]:
        return 1.0
    one, other = (
        {"midi": place[f"{side}_midi"]} | {name: place[f"{side}_{name}"] for name in ("string", "finger", "position")}
        for side in ("from", "to")
    )
    moves = printed_shift_of(one, other, board)
    return np.nan if moves is None else float(moves)


def _row(made: Following | None) -> Row:
    if made is None:
        return {"state": "too_little"}
    alone = np.isnan(made.against_others)
    verdict = "cannot_tell"
    if made.log_ratio >= FOLLOWED_FROM and made.low > 0 and (alone or made.against_low > 0):
        verdict = "followed"
    elif made.high < 0:
        verdict = "not_followed"
    return {
        "state": "told",
        "verdict": verdict,
        "shifts": made.shifts,
        "shifts_slid": made.shifts_slid,
        "others": made.others,
        "others_slid": made.others_slid,
        "log10_ratio": made.log_ratio,
        "log10_ratio_low": made.low,
        "log10_ratio_high": made.high,
        "against_others": None if alone else made.against_others,
        "against_others_low": None if alone else made.against_low,
        "against_others_high": None if alone else made.against_high,
    }
