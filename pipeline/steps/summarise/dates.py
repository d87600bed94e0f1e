"""Rates of periods with the uncertain dates of takes drawn given what the takes hold, and their bounds."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.stats.estimates import MEASURES, PER_BAR, group_seed
from pipeline.stats.uncertain_dates import DrawnRates, Takes, drawn_rates, rate_bounds

DRAWN = "dates_drawn"
"""Name of what is asked of a period: all takes that may be of it, their dates drawn given their slides."""
COMPARED = ("slides_per_minute", "slides_per_100_transitions", PER_BAR)

_TAKES = """
select period.scheme, period.period_id, period.share, period.is_certain, tally.take_id, tally.player_key,
    tally.weight * tally.timed_found_slides as timed_slides, tally.weight * tally.timed_minutes as timed_minutes,
    tally.weight * tally.slid_transitions as slid_transitions, tally.weight * tally.transitions as transitions,
    tally.weight * tally.bar_slides as bar_slides, tally.weight * tally.bars as bars
from fact.take_period as period
join fact.take_tally as tally on tally.take_id = period.take_id
where tally.state = 'judged' and period.period_id <> 'undated'
order by all
"""


@dataclass(frozen=True)
class Dated:
    """The takes of a scheme of periods for one measure, with the drawn rates of its periods."""

    scheme: str
    measure: str
    periods: list[str]
    takes: Takes
    drawn: DrawnRates

    def place(self, group_key: str) -> int:
        """Number of the period of a group key of the grouping ``period``."""
        return self.periods.index(group_key.partition("/")[2])


def dated(con: duckdb.DuckDBPyConnection, *, seed: int) -> list[Dated]:
    """Drawn rates of each scheme in which some date is uncertain, for each measure."""
    frame = con.sql(_TAKES).pl()
    made = []
    for key, scheme in frame.group_by("scheme", maintain_order=True):
        if scheme["is_certain"].all():
            continue
        periods = sorted(set(scheme["period_id"]))
        stream = tuple(group_seed(seed, grouping="period", group_key=str(key[0])))
        for measure in COMPARED:
            takes = _takes(scheme, measure, periods)
            drawn = drawn_rates(takes, seed=stream) if takes.counts.size else None
            if drawn is not None:
                made.append(Dated(str(key[0]), measure, periods, takes, drawn))
    return made


def _takes(frame: pl.DataFrame, measure: str, periods: list[str]) -> Takes:
    counts, exposures, _ = MEASURES[measure]
    used = frame.filter(pl.col(exposures) > 0)
    rows = used.unique(["take_id", "player_key"], keep="first", maintain_order=True)
    number = {key: place for place, key in enumerate(rows.select("take_id", "player_key").iter_rows())}
    players = {name: place for place, name in enumerate(sorted(set(rows["player_key"])))}
    shares = np.zeros((rows.height, len(periods)))
    place_of = {name: place for place, name in enumerate(periods)}
    for take_id, player_key, period_id, share in used.select("take_id", "player_key", "period_id", "share").iter_rows():
        shares[number[take_id, player_key], place_of[period_id]] = share
    return Takes(
        rows[counts].to_numpy().astype(np.float64),
        rows[exposures].to_numpy().astype(np.float64),
        np.array([players[name] for name in rows["player_key"]], dtype=np.intp),
        shares / shares.sum(axis=1, keepdims=True) if rows.height else shares,
    )


def drawn_rows(each: Dated) -> Iterator[dict[str, Any]]:
    """Rows of ``result.estimate`` for the periods of a scheme."""
    factor = MEASURES[each.measure][2]
    players = int(each.takes.players.max()) + 1
    for place, period in enumerate(each.periods):
        if period == "outside":
            continue
        bounds = rate_bounds(each.takes, place)
        rate, low, high = (x[place] for x in (each.drawn.rates, each.drawn.low, each.drawn.high))
        values = {"rate": rate, "low": low, "high": high, "least": bounds.least, "most": bounds.most}
        yield {
            "grouping": "period",
            "group_key": f"{each.scheme}/{period}",
            "measure": each.measure,
            "estimand": DRAWN,
            **{name: factor * float(value) if np.isfinite(value) else None for name, value in values.items()},
            "method": "dates drawn given the counts" if np.isfinite(rate) else None,
            "cluster_unit": "player",
            "clusters": players,
            "effective_clusters": float(players),
            "replicates": each.drawn.log_rates.shape[0],
            "warning": None if np.isfinite(rate) else "no take lies certainly in this period: bounds only",
        }
