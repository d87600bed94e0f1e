"""Repertoire held equal: what each take would hold if everybody slid alike at like changes of note."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
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

# A kind of change: size, direction, how likely it is slurred (three classes, each with its mean), the lengths of both
# notes, and the instrument. Bounds are common practice, no source: steps, thirds and fourths, fifths to sevenths, more;
# notes under a quarter of a second, to six tenths, longer.
_KINDS = """
create or replace temp table change_kind as
select
    take.take_id, take.player_id, take.player_key,
    case when change.semitones <= 2 then 0 when change.semitones <= 4 then 1 when change.semitones <= 7 then 2
        else 3 end as size,
    (change.direction = 'rising')::int as rising,
    case when coalesce(change.slurred_probability, 0.5) < 0.3 then 0
        when coalesce(change.slurred_probability, 0.5) < 0.7 then 1 else 2 end as slur,
    case when first_note.end_s - first_note.start_s < 0.25 then 0
        when first_note.end_s - first_note.start_s < 0.6 then 1 else 2 end as first_length,
    case when second_note.end_s - second_note.start_s < 0.25 then 0
        when second_note.end_s - second_note.start_s < 0.6 then 1 else 2 end as second_length,
    coalesce(take.instrument, 'unknown') as instrument,
    total(coalesce(change.slurred_probability, 0.5)) as slurred,
    count(*)::double as chances,
    count(*) filter (where change.has_find)::double as slides
from fact.transition as change
join fact.take_tally as take
    on take.take_id = change.take_id and take.player_id is not distinct from change.player_id
join stage.chance as chance on chance.transition_id = change.transition_id
join base.note as first_note on first_note.note_id = chance.from_note_id
join base.note as second_note on second_note.note_id = chance.to_note_id
where take.weight > 0
group by all
"""
_KIND = ("size", "rising", "slur", "first_length", "second_length", "instrument")


@dataclass(frozen=True)
class Repertoire:
    """The kinds of change of a corpus: ``kinds`` holds a number and the features of each, shape (kinds, features)."""

    kinds: pl.DataFrame
    features: Floats


def repertoire(con: duckdb.DuckDBPyConnection) -> Repertoire:
    """Counts the changes of each take by kind, as the temporary table ``change_kind``, and what is to be expected of
    each take, as ``take_expected``: its changes that hold a slide, and how many would in anybody's hands."""
    con.execute(_KINDS).fetchall()
    kinds = con.sql(
        f"select {', '.join(_KIND)}, sum(slurred) / sum(chances) as slurred from change_kind group by all order by all"
    ).pl()
    kinds = kinds.with_row_index("kind").with_columns(pl.col("kind").cast(pl.Int64))
    made = Repertoire(kinds, _features(kinds))
    sums = con.sql(f"select player_key, {', '.join(_KIND)}, sum(chances) as chances, sum(slides) as slides "
                   "from change_kind group by all order by all").pl()  # fmt: skip
    cells = _cells(made, sums)
    expected = expected_slides(cells) if sums.height and cells.slides.sum() > 0 else np.zeros(sums.height)
    chance = (
        sums.with_columns(pl.Series("expected", expected))
        .group_by(_KIND)
        .agg((pl.col("expected").sum() / pl.col("chances").sum()).alias("chance"))
    )
    con.register("chance_of_kind", chance)
    con.execute(
        "create or replace temp table take_expected as select take_id, player_id, "
        "total(chances * chance) as expected_slides from change_kind "
        f"join chance_of_kind using ({', '.join(_KIND)}) group by all"
    ).fetchall()
    con.unregister("chance_of_kind")
    return made


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
    sums = con.sql(
        f"""select member.group_key, player_key, {", ".join(_KIND)}, total(member.weight * chances) as chances,
            total(member.weight * slides) as slides
        from change_kind join tally.take_in_group as member
            on member.take_id = change_kind.take_id and member.player_id is not distinct from change_kind.player_id
        where member.grouping = $1 group by all order by all""",
        params=[grouping],
    ).pl()
    named = sums.filter(~pl.col("group_key").str.split("/").list.last().is_in(_NO_GROUP)).with_columns(
        pl.col("group_key").str.replace(r"[^/]*$", "").alias("scheme")
    )
    for _, scheme in named.group_by("scheme", maintain_order=True):
        slid = scheme.group_by("group_key").agg(pl.col("slides").sum()).filter(pl.col("slides") > 0)
        used = scheme.filter(pl.col("group_key").is_in(slid["group_key"].to_list()))
        keys = used["group_key"].unique().sort().to_list()
        if len(keys) < 2:
            continue
        groups = _numbered(used["group_key"])
        cells = _cells(of, used)
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


def _features(kinds: pl.DataFrame) -> Floats:
    """Size and lengths by class, direction, the mean chance of a slur, and instruments beside the commonest name."""
    columns = [(kinds["size"] == value).to_numpy() for value in (1, 2, 3)]
    columns += [kinds["rising"].to_numpy(), kinds["slurred"].to_numpy()]
    columns += [(kinds[name] == value).to_numpy() for name in ("first_length", "second_length") for value in (1, 2)]
    columns += [(kinds["instrument"] == name).to_numpy() for name in sorted(set(kinds["instrument"]))[1:]]
    return np.column_stack(columns).astype(np.float64) if kinds.height else np.zeros((0, len(columns)))


def _cells(of: Repertoire, sums: pl.DataFrame) -> Cells:
    rows = sums.join(of.kinds.select("kind", *_KIND), on=_KIND, how="left", maintain_order="left")
    return Cells(
        of.features,
        rows["kind"].to_numpy(),
        rows["chances"].to_numpy().astype(np.float64),
        rows["slides"].to_numpy().astype(np.float64),
        _numbered(rows["player_key"]),
    )


def _numbered(names: pl.Series) -> npt.NDArray[np.intp]:
    """The place of each name among all that there are, in order."""
    return names.rank("dense").to_numpy().astype(np.intp) - 1
