"""What is known of the slides missed and invented in each take, and the true slides per find of groups of takes."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import duckdb
import numpy as np
import polars as pl

from pipeline.kinds import KINDS
from pipeline.stats.correction import BOTH, LISTENING, RECOVERY, Factor, pooled
from pipeline.stats.quantiles import ascending_quantiles
from pipeline.stats.recovery import REPLICATES, Plantings, Recovered, curves, recovered_by
from pipeline.steps.summarise.factors import OfSlides, OfTakes
from pipeline.steps.summarise.finds import (
    DIRECTIONS,
    MEASURES,
    Cells,
    Finds,
    Ints,
    Numbers,
    cells,
    finds_of,
    numbered,
    summing,
)
from pipeline.steps.summarise.listening import Listened, listened
from pipeline.units import Floats

LEAST_PLANTED = 50
"""Below so many slides planted in the corpus nothing is corrected by them (judgement: five sides of ten)."""
SLIDE_GROUPINGS = ("kind", "kind_and_direction", "interval")
"""Groupings of slides rather than takes."""
BAR = "bar"
"""The grouping of bars of written parts: of each the takes that play it."""
_SOUND = ["process", "accompaniment", "noise"]
_PART = ["take_id", "player_id"]

_SPANS = """
select distinct span.take_id, span.player_id, span.transfer_id, sound.process, sound.accompaniment, sound.noise
from stage.counted_span as span
join stage.take_sound as sound on sound.take_id = span.take_id
order by span.take_id, coalesce(span.player_id, '~'), span.transfer_id
"""
_PLANTED = """
select transfer_id, duration_ms, semitones, broken, found
from stage.counted_planting
order by recovery_id
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
_CELLS_AT_ONCE = 4_000  # for the sake of memory
_TRIFLE = 1e-6  # finds of a take that has none, so that its group has an error of finding all the same


_Placed = Callable[[Numbers], tuple[Numbers, Floats, Numbers]]
"""Of finds in some order those that lie in groups, each as often as it does; what each counts, and its group."""


@dataclass(frozen=True)
class Correction:
    """True slides per find of every take.

    Attributes
    ----------
    parts : a row for each take and player: take_id, player_id, part (its number) and stratum.
    finds : all of them.
    per_find : draws for each part, shape (parts, replicates).
    level : what listening makes of recovery, or of plain counts, by stratum, shape (strata, replicates).
    number : finds of each part, shape (parts,).
    recovered : what finds stand for by plantings; None without any.
    source : where it comes from.
    judged, planted : excerpts judged and slides planted, by stratum, shape (strata,).
    """

    parts: pl.DataFrame
    finds: Finds
    per_find: Floats
    level: Floats
    number: Floats
    recovered: Recovered | None
    source: str
    judged: Ints
    planted: Ints

    def factors(self, con: duckdb.DuckDBPyConnection, grouping: str) -> OfTakes | OfSlides:
        """True slides per find of each group of a grouping; needs the numbers that ``correction`` leaves behind."""
        if grouping in SLIDE_GROUPINGS:
            return self._of_slides(con, grouping)
        if grouping == BAR:
            return self.of_members(con.sql(_PLAYING).pl())
        return self.of_members(con.sql(_MEMBERS, params=[grouping]).pl())

    def of_members(self, members: pl.DataFrame) -> OfTakes:
        """True slides per find of groups whose parts are given: rows as for ``OfTakes``."""
        return OfTakes(members, self.per_find, self.number, self._strata(), self._factor)

    def finger_shares(self, con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
        """Rows of ``result.finger_share``; none without plantings."""
        if self.recovered is None:
            return pl.DataFrame()
        shape = (self.parts.height, len(DIRECTIONS), len(KINDS))
        of = np.ravel_multi_index((self.finds.part, self.finds.direction, self.finds.kind), shape)
        held = cells(self.finds, of, int(np.prod(shape)))
        each = np.bincount(held.of, held.times(self.recovered.mean).sum(axis=1), minlength=int(np.prod(shape)))
        there = each.reshape(shape[0], -1)
        rows = []
        for grouping in ("player", "school", "period"):
            members = con.sql(_MEMBERS, params=[grouping]).pl()
            for (key,), own in members.group_by("group_key", maintain_order=True):
                sums = (own["weight"].to_numpy() @ there[own["part"].to_numpy()]).reshape(shape[1:])
                for direction, kinds in zip(DIRECTIONS, sums, strict=True):
                    if kinds.sum() > 0:
                        shares = zip(KINDS, (kinds / kinds.sum()).tolist(), strict=True)
                        row = {"grouping": grouping, "group_key": key, "direction": direction}
                        rows.append(row | {f"share_{kind}_corrected": share for kind, share in shares})
        return pl.DataFrame(rows)

    def of_takes(self, takes: pl.DataFrame) -> Floats:
        """Draws for the rows of a frame with take_id and player_id, shape (rows, replicates)."""
        placed = takes.select(_PART).join(self.parts, on=_PART, how="left", nulls_equal=True, maintain_order="left")
        return np.asarray(self.per_find[placed["part"].to_numpy()])

    def table(self) -> pl.DataFrame:
        """Rows of ``result.slides_per_find``."""
        low, middle, high = np.quantile(self.per_find, [0.025, 0.5, 0.975], axis=1)
        stratum = self._strata()
        return self.parts.select("take_id", pl.col("player_id").fill_null("~").alias("player_key")).with_columns(
            pl.Series("slides_per_find", middle),
            pl.Series("slides_per_find_low", low),
            pl.Series("slides_per_find_high", high),
            pl.lit(self.source).alias("correction"),
            pl.Series("judged", self.judged[stratum].astype(np.int64)),
            pl.Series("planted", self.planted[stratum].astype(np.int64)),
            pl.Series("draws", self.per_find.round(6)).arr.to_list(),
        )

    def whole(self) -> Factor:
        """Of the whole corpus."""
        return self._factor(pooled(self.per_find, self.number), np.arange(self.judged.size), None, [])

    def quartiles(self, con: duckdb.DuckDBPyConnection, grouping: str) -> pl.DataFrame:
        """Quartiles of the slides that were there in each group, where each find counts for those that it stands for by
        its length, size, side and sound: group_key and the columns ``…_corrected_…`` of ``result.quartile``; nothing
        without plantings."""
        if self.recovered is None:
            return pl.DataFrame()
        keys, placed = (self._placed_slides if grouping in SLIDE_GROUPINGS else self._placed_takes)(con, grouping)
        made = {"group_key": pl.Series(keys, dtype=pl.String)}
        for order, values, (measure, unit) in zip(
            self._ascending, self.finds.measures.T, MEASURES.items(), strict=True
        ):
            find, weight, at = placed(order)
            quartiles = ascending_quantiles(values[find], weight * self._stands_for[find], at, groups=len(keys))
            for which, column in zip(("q1", "median", "q3"), quartiles.T, strict=True):
                made[f"{measure}_{which}_corrected_{unit}"] = pl.Series(column)
        return pl.DataFrame(made)

    @cached_property
    def _ascending(self) -> list[Numbers]:
        """The finds in the order of each measure: sorted once, since there may be millions, for all groupings."""
        return [np.argsort(values, kind="stable").astype(np.int32) for values in self.finds.measures.T]

    @cached_property
    def _stands_for(self) -> Floats:
        """Slides that were there for each find."""
        assert self.recovered is not None
        level = self.level.mean(axis=1)[self._strata()[self.finds.part]]
        return np.asarray(self.recovered.mean[self.finds.classes, self.finds.side] * level)

    def _placed_takes(self, con: duckdb.DuckDBPyConnection, grouping: str) -> tuple[list[str], _Placed]:
        members = con.sql(_MEMBERS, params=[grouping]).pl().sort("part", maintain_order=True)
        keys = members["group_key"].unique().sort().to_list()
        group = np.searchsorted(np.array(keys, dtype=np.str_), members["group_key"].to_numpy().astype(np.str_))
        counted = members["weight"].to_numpy()
        number = np.bincount(members["part"].to_numpy(), minlength=self.parts.height)
        first = np.cumsum(number) - number

        def placed(order: Numbers) -> tuple[Numbers, Floats, Numbers]:
            part = self.finds.part[order]
            many = number[part]
            member = np.repeat(first[part] - (np.cumsum(many) - many), many) + np.arange(many.sum())
            return np.repeat(order, many), counted[member], group[member]

        return keys, placed

    def _placed_slides(self, con: duckdb.DuckDBPyConnection, grouping: str) -> tuple[list[str], _Placed]:
        used, weight, keys, at = self._in_groups_of_slides(con, grouping)
        group, counted = np.full(self.finds.part.size, -1, dtype=np.int32), np.zeros(self.finds.part.size)
        group[used], counted[used] = at, weight

        def placed(order: Numbers) -> tuple[Numbers, Floats, Numbers]:
            chosen = order[group[order] >= 0]
            return chosen, counted[chosen], group[chosen]

        return keys, placed

    def _in_groups_of_slides(
        self, con: duckdb.DuckDBPyConnection, grouping: str
    ) -> tuple[Ints, Floats, list[str], Ints]:
        """The finds that lie in a group; what each counts, the keys of the groups, and which of them is its."""
        chosen = con.sql(_CHOSEN).pl()
        weight = np.zeros(self.parts.height)
        weight[chosen["part"].to_numpy()] = chosen["weight"].to_numpy()
        chosen_finds = weight[self.finds.part] > 0
        if grouping == "interval":
            chosen_finds &= self.finds.direction < DIRECTIONS.index("unknown")
        used = np.flatnonzero(chosen_finds)
        return used, weight[self.finds.part[used]], *_groups(self.finds.of(used), grouping)

    def _of_slides(self, con: duckdb.DuckDBPyConnection, grouping: str) -> OfSlides:
        place, weight, keys, at = self._in_groups_of_slides(con, grouping)
        used, strata = self.finds.of(place), self.judged.size
        every = np.arange(strata)
        sums = at * strata + self._strata()[used.part]
        held = cells(used, sums, len(keys) * strata, weights=weight)
        there = _drawn(held, self.recovered, len(keys) * strata).reshape(len(keys), strata, REPLICATES)
        whole = (there * self.level).sum(axis=1) / np.bincount(at, weight, minlength=len(keys))[:, None]
        return OfSlides(keys, whole, every, self._factor)

    def _strata(self) -> Ints:
        return np.asarray(self.parts["stratum"].to_numpy(), dtype=np.intp)

    def _factor(self, whole: Floats, strata: Ints, clusters: Floats | None, names: list[str]) -> Factor:
        own = np.unique(strata)
        rests_on = {int(each): (int(self.judged[each]), int(self.planted[each])) for each in own}
        return Factor(whole, clusters, names, self.source, rests_on)


def _groups(finds: Finds, grouping: str) -> tuple[list[str], Ints]:
    """The keys of the groups that finds of a grouping of slides lie in, and which of them each find lies in."""
    if grouping == "kind":
        there, at = np.unique(finds.kind, return_inverse=True)
        return [str(KINDS[kind]) for kind in there], at
    is_interval = grouping == "interval"
    first, second = (finds.direction, finds.semitones) if is_interval else (finds.kind, finds.direction)
    size = int(second.max(initial=0)) + 1
    there, at = np.unique(first.astype(np.intp) * size + second, return_inverse=True)
    if is_interval:
        return [f"{DIRECTIONS[each // size]}/{each % size}" for each in there], at
    return [f"{KINDS[each // size]}/{DIRECTIONS[each % size]}" for each in there], at


def correction(con: duckdb.DuckDBPyConnection, *, seed: int) -> Correction | None:
    """What is known of the error of finding in the whole corpus, whatever takes are chosen; None if nothing is.

    Leaves the numbers of parts and sides behind as temporary tables (``finds.numbered``).
    """
    spans = con.sql(_SPANS).pl()
    parts = spans.unique(_PART, keep="first", maintain_order=True).with_row_index("part")
    if parts.is_empty():
        return None
    sounds = sorted(set(parts.select(_SOUND).iter_rows()))
    parts = parts.with_columns(
        pl.col("part").cast(pl.Int64),
        pl.Series("sound", [sounds.index(row) for row in parts.select(_SOUND).iter_rows()], dtype=pl.Int64),
    )
    sides = spans.select(pl.col("transfer_id").unique().sort()).with_row_index("side")
    numbered(con, parts.select(*_PART, "part"), sides)
    finds = finds_of(con)
    by_part = np.bincount(finds.part, minlength=parts.height)
    by_sound = np.bincount(parts["sound"].to_numpy(), by_part, minlength=len(sounds)).astype(np.float64)
    sound_of = dict(parts.select("take_id", "sound").iter_rows())
    heard = listened(con, sounds, sound_of, by_sound, seed=seed)
    number = dict(sides.select("transfer_id", "side").iter_rows())
    of_side = np.zeros(len(number), dtype=np.intp)
    for name, take_id in spans.select("transfer_id", "take_id").iter_rows():
        of_side[number[name]] = sound_of[take_id]
    recovered, planted = _recovered(con, number, of_side, len(sounds), seed=seed)
    return combined(parts, finds, heard, recovered, planted)


def combined(
    parts: pl.DataFrame, finds: Finds, heard: Listened | None, recovered: Recovered | None, planted: Ints
) -> Correction | None:
    """What listening and recovery say of each part together; None if both say nothing.

    Parameters
    ----------
    parts : a row for each take and player: take_id, player_id, part (its number) and sound.
    recovered : what finds stand for by plantings, on each side.
    planted : slides planted in each kind of sound, shape (sounds,).
    """
    if heard is None and recovered is None:
        return None
    number = np.bincount(finds.part, minlength=parts.height).astype(np.float64)
    strata = np.arange(planted.size) if heard is None else heard.strata
    stratum, size = strata[parts["sound"].to_numpy()], int(strata.max()) + 1
    held = cells(finds, finds.part, parts.height)
    there = _drawn(held, recovered, parts.height)
    in_stratum = np.zeros((size, REPLICATES))
    np.add.at(in_stratum, stratum, there)
    usual = (in_stratum + _TRIFLE) / (np.bincount(stratum, number, minlength=size) + _TRIFLE)[:, None]
    level = np.ones_like(usual) if heard is None else heard.per_find.T / usual
    of_part = np.where(number[:, None] > 0, there / np.maximum(number, 1)[:, None], usual[stratum])
    return Correction(
        parts=parts.select(*_PART, "part", pl.Series("stratum", stratum)),
        finds=finds,
        per_find=of_part * level[stratum],
        level=level,
        number=np.maximum(number, _TRIFLE),
        recovered=recovered,
        source=BOTH if heard and recovered else LISTENING if heard else RECOVERY,
        judged=np.zeros(size, dtype=np.intp) if heard is None else heard.judged,
        planted=np.bincount(strata, planted, minlength=size).astype(np.intp),
    )


def _recovered(
    con: duckdb.DuckDBPyConnection, sides: Mapping[str, int], sound: Ints, sounds: int, *, seed: int
) -> tuple[Recovered | None, Ints]:
    """What finds stand for by plantings, and slides planted by sound."""
    rows = con.sql(_PLANTED).pl()
    if rows.height < LEAST_PLANTED:
        return None, np.zeros(sounds, dtype=np.intp)
    side = rows["transfer_id"].replace_strict(sides, return_dtype=pl.Int64).to_numpy().astype(np.intp)
    planted = Plantings(side, *(rows[name].to_numpy() for name in ("duration_ms", "semitones", "broken")))
    known = curves(planted, rows["found"].to_numpy().astype(bool), sides=len(sides), groups=sound)
    return recovered_by(known, seed=(seed, 7)), np.bincount(sound[side], minlength=sounds)


def _drawn(held: Cells, recovered: Recovered | None, number: int) -> Floats:
    """Draws of the slides that were there for the finds of each of so many sums, shape (number, replicates)."""
    made = np.zeros((number, REPLICATES))
    for start in range(0, held.side.size, _CELLS_AT_ONCE):
        own = slice(start, start + _CELLS_AT_ONCE)
        sums, at = np.unique(held.of[own], return_inverse=True)
        if recovered is None:
            there = np.repeat(np.asarray(held.counts[own].sum(axis=1))[:, None], REPLICATES, axis=1)
        else:
            there = recovered.there(held.counts[own], held.side[own])
        made[sums] += summing(at, sums.size) @ there
    return made
