"""Repertoire held equal: what each take would hold if everybody slid alike at like changes of note."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import prod
from typing import Any

import duckdb
import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.stats.estimates import AS_RECORDED, AVERAGE
from pipeline.stats.repertoire import Cells, expected_slides, standardised_rates
from pipeline.units import Floats

STANDARDISED = "standardised_per_100_transitions"
GROUPINGS = ("school", "period", "process", "accompaniment", "instrument")
"""Groupings whose groups are compared, and so are standardised."""
_NO_GROUP = ("unplaced", "undated", "uncertain", "outside", "unknown")

# Small numbers for takes, players and instruments, since there is a row for nearly every change of note of a take.
_NUMBERS = """
create or replace temp table take_number as
select
    take_id, player_id,
    row_number() over (order by take_id, player_key)::integer as take,
    dense_rank() over (order by player_key)::integer - 1 as player,
    dense_rank() over (order by coalesce(instrument, 'unknown'))::integer - 1 as instrument
from fact.take_tally
where weight > 0
"""
# A kind of change: size, direction, how likely it is slurred (three classes, each with its mean), the lengths of both
# notes, and the instrument, as one number; classes as queries/functions.sql makes them.
_KIND = (("size", 4), ("rising", 2), ("slur", 3), ("first_length", 3), ("second_length", 3), ("instrument", 100))
_SIZES = [size for _, size in _KIND]
_CODE = " + ".join(f"{name} * {prod(_SIZES[place + 1 :])}" for place, (name, _) in enumerate(_KIND))
_KINDS = f"""
create or replace temp table change_kind as
with change as (
    select
        numbers.take, numbers.player, numbers.instrument,
        interval_class(change.semitones) as size,
        (change.direction = 'rising')::int as rising,
        coalesce(change.slurred_probability, 0.5) as slurred,
        slur_class(slurred) as slur,
        length_class(first_note.end_s - first_note.start_s) as first_length,
        length_class(second_note.end_s - second_note.start_s) as second_length,
        change.has_find
    from fact.transition as change
    join take_number as numbers
        on numbers.take_id = change.take_id and numbers.player_id is not distinct from change.player_id
    join base.note as first_note on first_note.note_id = change.from_note_id
    join base.note as second_note on second_note.note_id = change.to_note_id
)
select
    take, player, ({_CODE})::integer as kind,
    total(slurred) as slurred,
    count(*)::integer as chances,
    count(*) filter (where has_find)::integer as slides
from change
group by all
"""
# The place of each group among those given, so that keys are no text in a row for each kind and player.
_IN_GROUPS = """
with member as materialized (
    select numbers.take, list_position($2, member.group_key)::integer - 1 as "group", member.weight
    from tally.take_in_group as member
    join take_number as numbers
        on numbers.take_id = member.take_id and numbers.player_id is not distinct from member.player_id
    where member.grouping = $1 and list_contains($2, member.group_key)
)
select "group", player, kind, total(weight * chances) as chances, total(weight * slides) as slides
from member join change_kind using (take)
group by all order by all
"""


@dataclass(frozen=True)
class Repertoire:
    """The kinds of change of a corpus: their numbers in ``change_kind``, in order, shape (kinds,), and the features of
    each, shape (kinds, features)."""

    kinds: npt.NDArray[np.int32]
    features: Floats


def repertoire(con: duckdb.DuckDBPyConnection) -> Repertoire:
    """Counts the changes of each take by kind, as the temporary tables ``take_number`` and ``change_kind``, and what is
    to be expected of each take, as ``take_expected``: how many of its changes would hold a slide in anybody's hands."""
    con.execute(_NUMBERS).fetchall()
    con.execute(_KINDS).fetchall()
    kinds = con.sql(
        "select kind, sum(slurred) / sum(chances) as slurred from change_kind group by kind order by kind"
    ).pl()
    made = Repertoire(kinds["kind"].to_numpy(), _features(kinds["kind"].to_numpy(), kinds["slurred"].to_numpy()))
    sums = con.sql(
        "select player, kind, sum(chances)::double as chances, sum(slides)::double as slides from change_kind "
        "group by all order by all"
    ).pl()
    cells = _cells(made, sums)
    expected = expected_slides(cells) if sums.height and cells.slides.sum() > 0 else np.zeros(sums.height)
    chance = (
        sums.with_columns(pl.Series("expected", expected))
        .group_by("kind")
        .agg((pl.col("expected").sum() / pl.col("chances").sum()).alias("chance"))
    )
    con.register("chance_of_kind", chance)
    con.execute(
        "create or replace temp table take_expected as select take_id, player_id, "
        "total(chances * chance) as expected_slides from change_kind join chance_of_kind using (kind) "
        "join take_number using (take) group by all"
    ).fetchall()
    con.unregister("chance_of_kind")
    return made


def expected_of_takes(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Rows of ``result.expected_slides``."""
    frame: pl.DataFrame = con.sql(
        "select take_id, coalesce(player_id, '~') as player_key, expected_slides from take_expected"
    ).pl()
    return frame


def expected_by_cluster(con: duckdb.DuckDBPyConnection, groupings: Sequence[str]) -> pl.DataFrame:
    """Changes that hold a slide, and those expected, of each cluster of each group of takes."""
    frame: pl.DataFrame = con.sql(
        """select member.grouping, member.group_key,
            if(grouping.cluster_unit = 'session', take.session_key, take.player_key) as cluster,
            total(member.weight * expected.expected_slides) as expected_slides
        from tally.take_in_group as member
        join tally.grouping as grouping on grouping.grouping = member.grouping
        join fact.take_tally as take
            on take.take_id = member.take_id and take.player_id is not distinct from member.player_id
        join take_expected as expected
            on expected.take_id = member.take_id and expected.player_id is not distinct from member.player_id
        where list_contains($1, member.grouping) group by all order by all""",
        params=[list(groupings)],
    ).pl()
    return frame


def standardised_rows(con: duckdb.DuckDBPyConnection, of: Repertoire, grouping: str) -> Iterator[dict[str, Any]]:
    """Rows of ``result.estimate``: rates per 100 changes that groups would have with the corpus's repertoire."""
    listed = con.sql(
        "select distinct group_key from tally.take_in_group where grouping = $1 order by 1", params=[grouping]
    ).fetchall()
    compared = [key for (key,) in listed if key.rpartition("/")[2] not in _NO_GROUP]
    # The sums of every player by kind, in numbers: of all tables that the step reads, this is the longest.
    sums = con.sql(_IN_GROUPS, params=[grouping, compared]).pl()
    for scheme in dict.fromkeys(key.rpartition("/")[0] for key in compared):
        own = [place for place, key in enumerate(compared) if key.rpartition("/")[0] == scheme]
        used = sums.filter(pl.col("group").is_in(own))
        used = used.filter(pl.col("slides").sum().over("group") > 0)
        keys = [compared[place] for place in used["group"].unique().sort()]
        if len(keys) < 2:
            continue
        groups, cells = _numbered(used["group"]), _cells(of, used)
        for estimand in (AS_RECORDED, AVERAGE):
            made = standardised_rates(cells, groups, one_vote=estimand == AVERAGE)
            if made is None:
                continue
            for place, key in enumerate(keys):
                players = int(np.unique(cells.players[groups == place]).size)
                yield {
                    "grouping": grouping,
                    "group_key": key,
                    "measure": STANDARDISED,
                    "estimand": estimand,
                    "rate": 100 * float(made.rates[place]),
                    "low": 100 * float(made.low[place]),
                    "high": 100 * float(made.high[place]),
                    "method": "logistic model, each player left out",
                    "cluster_unit": "player",
                    "clusters": players,
                    "effective_clusters": float(players),
                    "replicates": 0,
                }


def _features(kinds: npt.NDArray[np.int32], slurred: Floats) -> Floats:
    """Size and lengths by class, direction, the mean chance of a slur, and instruments beside the first by name."""
    part = dict(zip((name for name, _ in _KIND), np.unravel_index(kinds, _SIZES), strict=True))
    columns = [part["size"] == value for value in (1, 2, 3)]
    columns += [part["rising"], slurred]
    columns += [part[name] == value for name in ("first_length", "second_length") for value in (1, 2)]
    columns += [part["instrument"] == value for value in np.unique(part["instrument"])[1:]]
    return np.column_stack(columns).astype(np.float64)


def _cells(of: Repertoire, sums: pl.DataFrame) -> Cells:
    return Cells(
        of.features,
        np.searchsorted(of.kinds, sums["kind"].to_numpy()),
        sums["chances"].to_numpy(),
        sums["slides"].to_numpy(),
        _numbered(sums["player"]),
    )


def _numbered(names: pl.Series) -> npt.NDArray[np.intp]:
    """The place of each number among all that there are, in order."""
    return names.rank("dense").to_numpy().astype(np.intp) - 1
