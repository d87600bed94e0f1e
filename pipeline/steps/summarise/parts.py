"""Parts, each the share of one player in one take, and sides, both by number; and which parts each group is made of."""

from functools import cached_property

import duckdb
import numpy as np
import polars as pl

from pipeline.units import Floats

KEY = ["take_id", "player_id"]
SOUND = ["process", "accompaniment", "noise"]
SLIDE_GROUPINGS = ("kind", "kind_and_direction", "interval")
"""Groupings of slides rather than takes."""
BAR = "bar"
"""The grouping of bars of written parts: of each the takes that play it."""

_SPANS = """
select distinct span.take_id, span.player_id, span.transfer_id, sound.process, sound.accompaniment, sound.noise
from stage.counted_span as span
join stage.take_sound as sound on sound.take_id = span.take_id
order by span.take_id, coalesce(span.player_id, '~'), span.transfer_id
"""
_MEMBERS = """
select member.group_key, if(grouping.cluster_unit = 'session', take.session_key, take.player_key) as cluster,
    part_number.part, total(member.weight) as weight
from tally.take_in_group as member
join tally.grouping as grouping on grouping.grouping = member.grouping
join fact.take_tally as take
    on take.take_id = member.take_id and take.player_id is not distinct from member.player_id
join part_number
    on part_number.take_id = take.take_id and part_number.player_id is not distinct from take.player_id
where member.grouping = $1 and take.state = 'judged'
group by all order by all
"""
# A bar holds the finds of the takes that play it.
_PLAYING = """
select bar.work_id || '/' || bar.bar_index as group_key, take.player_key as cluster, part_number.part,
    total(take.weight) as weight
from fact.bar_played as bar
join fact.take_tally as take on take.take_id = bar.take_id and take.player_id is not distinct from bar.player_id
join part_number
    on part_number.take_id = take.take_id and part_number.player_id is not distinct from take.player_id
group by all order by all
"""
_CHOSEN = """
select part_number.part, total(take.weight) as weight
from fact.take_tally as take
join part_number
    on part_number.take_id = take.take_id and part_number.player_id is not distinct from take.player_id
group by all order by all
"""


class Parts:
    """All parts of the corpus, whatever takes are chosen; their numbers and those of sides are kept as the temporary
    tables ``part_number`` (take_id, player_id, part) and ``side_number`` (transfer_id, side).

    Attributes
    ----------
    spans : take_id, player_id, transfer_id, process, accompaniment, noise: a row for each part on each of its sides.
    frame : take_id, player_id, part, process, accompaniment, noise: a row for each part, in the order of its number.
    sides : transfer_id, side.
    """

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con
        self._members: dict[str, pl.DataFrame] = {}
        self.spans: pl.DataFrame = con.sql(_SPANS).pl()
        parts = self.spans.unique(KEY, keep="first", maintain_order=True)
        self.frame = parts.with_row_index("part").select(*KEY, pl.col("part").cast(pl.Int64), *SOUND)
        self.sides = self.spans.select(pl.col("transfer_id").unique().sort()).with_row_index("side")
        for name, frame in (("part_number", self.frame.select(*KEY, "part")), ("side_number", self.sides)):
            con.register("rows_to_write", frame)
            con.execute(f"create or replace temp table {name} as select * from rows_to_write").fetchall()
            con.unregister("rows_to_write")

    def members(self, grouping: str) -> pl.DataFrame:
        """group_key, cluster, part, weight, in this order: a row for each part in a cluster of a group of takes."""
        if grouping not in self._members:
            rows = self._con.sql(_PLAYING) if grouping == BAR else self._con.sql(_MEMBERS, params=[grouping])
            self._members[grouping] = rows.pl()
        return self._members[grouping]

    @cached_property
    def chosen(self) -> Floats:
        """How much each part counts in the takes that are chosen, shape (parts,)."""
        rows = self._con.sql(_CHOSEN).pl()
        weight = np.zeros(self.frame.height)
        weight[rows["part"].to_numpy()] = rows["weight"].to_numpy()
        return weight
