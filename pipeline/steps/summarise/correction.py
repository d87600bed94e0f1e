"""What is known of the slides missed and invented in each take, and the true slides per find of groups of takes."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import duckdb
import numpy as np
import polars as pl

from pipeline.kinds import KINDS
from pipeline.stats.correction import BOTH, LISTENING, RECOVERY, Factor, pooled
from pipeline.stats.recovery import REPLICATES, Plantings, Recovered, curves, recovered_by
from pipeline.steps.summarise.factors import MakeFactor, OfSlides, OfTakes
from pipeline.steps.summarise.finds import DIRECTIONS, Cells, Finds, Ints, cells, groups_of_slides, summing
from pipeline.steps.summarise.listening import Listened, listened
from pipeline.steps.summarise.parts import KEY, SLIDE_GROUPINGS, SOUND, Parts
from pipeline.units import Floats

LEAST_PLANTED = 50
"""Below so many slides planted in the corpus nothing is corrected by them (judgement: five sides of ten)."""
_PLANTED = """
select transfer_id, duration_ms, semitones, broken, found, found_duration_ms
from stage.counted_planting
order by recovery_id
"""
_CELLS_AT_ONCE = 4_000  # for the sake of memory
_TRIFLE = 1e-6  # finds of a take that has none, so that its group has an error of finding all the same


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

    def factors(self, of: Parts, grouping: str) -> OfTakes | OfSlides:
        """True slides per find of each group of a grouping."""
        return self._of_slides(of, grouping) if grouping in SLIDE_GROUPINGS else self.of_members(of.members(grouping))

    def of_members(self, members: pl.DataFrame) -> OfTakes:
        """True slides per find of groups whose parts are given: rows as for ``OfTakes``."""
        return OfTakes(members, self.per_find, self.number, self._strata(), self._make)

    def finger_shares(self, of: Parts) -> pl.DataFrame:
        """Rows of ``result.finger_share``; none without plantings."""
        if self.recovered is None:
            return pl.DataFrame()
        shape = (self.parts.height, len(DIRECTIONS), len(KINDS))
        sums = np.ravel_multi_index((self.finds.part, self.finds.direction, self.finds.kind), shape)
        held = cells(self.finds, sums, int(np.prod(shape)))
        each = np.bincount(held.of, held.times(self.recovered.mean).sum(axis=1), minlength=int(np.prod(shape)))
        there = each.reshape(shape[0], -1)
        rows = []
        for grouping in ("player", "school", "period"):
            for (key,), own in of.members(grouping).group_by("group_key", maintain_order=True):
                by_kind = (own["weight"].to_numpy() @ there[own["part"].to_numpy()]).reshape(shape[1:])
                for direction, kinds in zip(DIRECTIONS, by_kind, strict=True):
                    if kinds.sum() > 0:
                        shares = zip(KINDS, (kinds / kinds.sum()).tolist(), strict=True)
                        row = {"grouping": grouping, "group_key": key, "direction": direction}
                        rows.append(row | {f"share_{kind}_corrected": share for kind, share in shares})
        return pl.DataFrame(rows)

    def of_takes(self, takes: pl.DataFrame) -> Floats:
        """Draws for the rows of a frame with take_id and player_id, shape (rows, replicates)."""
        placed = takes.select(KEY).join(self.parts, on=KEY, how="left", nulls_equal=True, maintain_order="left")
        return np.asarray(self.per_find[placed["part"].to_numpy()])

    def table(self) -> pl.DataFrame:
        """Rows of ``result.slides_per_find``."""
        low, high = np.quantile(self.per_find, [0.025, 0.975], axis=1)
        stratum = self._strata()
        return self.parts.select("take_id", pl.col("player_id").fill_null("~").alias("player_key")).with_columns(
            pl.Series("slides_per_find", self.per_find.mean(axis=1)),
            pl.Series("slides_per_find_low", low),
            pl.Series("slides_per_find_high", high),
            pl.lit(self.source).alias("correction"),
            pl.Series("judged", self.judged[stratum].astype(np.int64)),
            pl.Series("planted", self.planted[stratum].astype(np.int64)),
            pl.Series("draws", self.per_find.round(6)).arr.to_list(),
        )

    def whole(self) -> Factor:
        """Of the whole corpus."""
        return self._make(pooled(self.per_find, self.number), np.arange(self.judged.size), None, [])

    def stands_for(self, finds: Finds) -> Floats | None:
        """Slides that were there for each of some finds, shape (finds,); None without plantings."""
        if self.recovered is None:
            return None
        level = self.level.mean(axis=1)[self._strata()[finds.part]]
        return np.asarray(self.recovered.mean[finds.classes, finds.side] * level)

    def _of_slides(self, parts: Parts, grouping: str) -> OfSlides:
        chosen = np.flatnonzero(parts.chosen[self.finds.part] > 0)
        used = self.finds.of(chosen)
        grouped, keys, at = groups_of_slides(grouping, used.kind, used.direction, used.semitones)
        used = used.of(grouped)
        weight, strata = parts.chosen[used.part], self.judged.size
        every = np.arange(strata)
        sums = at * strata + self._strata()[used.part]
        held = cells(used, sums, len(keys) * strata, weights=weight)
        there = _drawn(held, self.recovered, len(keys) * strata).reshape(len(keys), strata, REPLICATES)
        whole = (there * self.level).sum(axis=1) / np.bincount(at, weight, minlength=len(keys))[:, None]
        return OfSlides(keys, whole, every, self._make)

    def _strata(self) -> Ints:
        return np.asarray(self.parts["stratum"].to_numpy(), dtype=np.intp)

    @property
    def _make(self) -> MakeFactor:
        # Of a few numbers alone, so that factors do not keep all finds in memory.
        return partial(_factor, self.source, self.judged, self.planted)


def _factor(
    source: str, judged: Ints, planted: Ints, whole: Floats, strata: Ints, clusters: Floats | None, names: list[str]
) -> Factor:
    rests_on = {int(each): (int(judged[each]), int(planted[each])) for each in np.unique(strata)}
    return Factor(whole, clusters, names, source, rests_on)


def correction(con: duckdb.DuckDBPyConnection, parts: Parts, finds: Finds, *, seed: int) -> Correction | None:
    """What is known of the error of finding in the whole corpus, whatever takes are chosen; None if nothing is."""
    if parts.frame.is_empty():
        return None
    sounds = sorted(set(parts.frame.select(SOUND).iter_rows()))
    frame = parts.frame.select(
        *KEY,
        "part",
        pl.Series("sound", [sounds.index(row) for row in parts.frame.select(SOUND).iter_rows()], dtype=pl.Int64),
    )
    by_part = np.bincount(finds.part, minlength=frame.height)
    by_sound = np.bincount(frame["sound"].to_numpy(), by_part, minlength=len(sounds)).astype(np.float64)
    sound_of = dict(frame.select("take_id", "sound").iter_rows())
    heard = listened(con, sounds, sound_of, by_sound, seed=seed)
    number = dict(parts.sides.select("transfer_id", "side").iter_rows())
    of_side = np.zeros(len(number), dtype=np.intp)
    for name, take_id in parts.spans.select("transfer_id", "take_id").iter_rows():
        of_side[number[name]] = sound_of[take_id]
    recovered, planted = _recovered(con, number, of_side, len(sounds), seed=seed)
    return combined(frame, finds, heard, recovered, planted)


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
        parts=parts.select(*KEY, "part", pl.Series("stratum", stratum)),
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
    measured = rows["found_duration_ms"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    known = curves(planted, rows["found"].to_numpy().astype(bool), measured_ms=measured, sides=len(sides), groups=sound)
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
