"""What is known of the slides missed and invented in each take, and the true slides per find of groups of takes."""

from collections.abc import Mapping
from dataclasses import dataclass

import duckdb
import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import sparse

from pipeline.kinds import KINDS
from pipeline.stats.correction import BOTH, LISTENING, RECOVERY, Factor
from pipeline.stats.recovery import (
    CLASS_MS,
    CLASS_SEMITONES,
    REPLICATES,
    Plantings,
    Recovered,
    curves,
    recovered_by,
)
from pipeline.steps.summarise.listening import Listened, listened
from pipeline.units import Floats

Ints = npt.NDArray[np.intp]
LEAST_PLANTED = 50
"""Below so many slides planted in the corpus nothing is corrected by them (judgement: five sides of ten)."""
SLIDE_GROUPINGS = ("kind", "kind_and_direction", "interval")
"""Groupings of slides rather than takes."""
_SOUND = ["process", "accompaniment", "noise"]
_PART = ["take_id", "player"]


def class_sql() -> str:
    """The class of a find (``stats.recovery.classes``) as SQL over duration_ms, interval_cents and found_kind."""
    step = float(np.log(CLASS_MS[1] / CLASS_MS[0]))
    steps = f"round(ln(greatest(duration_ms, 1) / {float(CLASS_MS[0])!r}) / {step!r})"
    ms = f"least(greatest({steps}, 0), {CLASS_MS.size - 1})"
    ends = np.sqrt(CLASS_SEMITONES[1:] * CLASS_SEMITONES[:-1])
    size = " + ".join(f"(abs(interval_cents) / 100 > {float(end)!r})::int" for end in ends)
    broken = "(found_kind in ('departing_finger', 'arriving_finger', 'two_finger'))::int"
    return f"(({ms}::bigint * {CLASS_SEMITONES.size} + {size}) * 2 + {broken})"


_SPANS = """
select distinct span.take_id, coalesce(span.player_id, '~') as player, span.transfer_id,
    sound.process, sound.accompaniment, sound.noise
from stage.counted_span as span
join stage.take_sound as sound on sound.take_id = span.take_id
order by all
"""
_FINDS = f"""
select take_id, coalesce(player_id, '~') as player, transfer_id, {class_sql()} as class, count(*)::double as finds
from stage.owned_slide where origin = 'found' group by all order by all
"""
_FINDS_IN_GROUP = f"""
select group_key, take_id, coalesce(player_id, '~') as player, transfer_id, {class_sql()} as class,
    total(weight) as finds
from tally.find_in_group where grouping = $1 group by all order by all
"""
_FINGERS = f"""
select member.grouping, member.group_key, coalesce(find.direction, 'unknown') as direction, find.found_kind,
    find.transfer_id, {class_sql()} as class, total(member.weight) as finds
from stage.owned_slide as find
join tally.take_in_group as member
    on member.take_id = find.take_id and member.player_id is not distinct from find.player_id
where find.origin = 'found' and member.grouping in ('player', 'school', 'period')
group by all order by all
"""
_PLANTED = """
select transfer_id, duration_ms, interval_cents / 100 as semitones, kind <> 'same_finger' as broken, found
from base.recovery
where transfer_id in (select transfer_id from stage.counted_span)
order by recovery_id
"""
_MEMBERS = """
select member.group_key, if(grouping.cluster_unit = 'session', take.session_key, take.player_key) as cluster,
    take.take_id, coalesce(take.player_id, '~') as player, total(member.weight) as weight
from tally.take_in_group as member
join tally.grouping as grouping on grouping.grouping = member.grouping
join fact.take_tally as take
    on take.take_id = member.take_id and take.player_id is not distinct from member.player_id
where member.grouping = $1 and take.state = 'judged'
group by all order by all
"""
_CLASSES = 2 * CLASS_MS.size * CLASS_SEMITONES.size  # of finds, as ``class_sql`` numbers them
_PARTS_AT_ONCE = 20_000  # of finds, for the sake of memory
_TRIFLE = 1e-6  # finds of a take that has none, so that its group has an error of finding all the same


@dataclass(frozen=True)
class Correction:
    """True slides per find of every take.

    Attributes
    ----------
    parts : a row for each take and player: take_id, player, part (its number) and stratum.
    sides : number of each transfer.
    per_find : draws for each part, shape (parts, replicates).
    level : what listening makes of recovery, or of plain counts, by stratum, shape (strata, replicates).
    finds : of each part, shape (parts,).
    recovered : what finds stand for by plantings; None without any.
    lengths : slides that were there in each part by class of length, shape (parts, lengths); None without plantings.
    source : where it comes from.
    judged, planted : excerpts judged and slides planted, by stratum, shape (strata,).
    """

    parts: pl.DataFrame
    sides: Mapping[str, int]
    per_find: Floats
    level: Floats
    finds: Floats
    recovered: Recovered | None
    lengths: sparse.csr_array | None
    source: str
    judged: Ints
    planted: Ints

    def factors(self, con: duckdb.DuckDBPyConnection, grouping: str) -> dict[str, Factor]:
        """True slides per find of each group of a grouping."""
        if grouping in SLIDE_GROUPINGS:
            return self._of_slides(con, grouping)
        return self.of_members(con.sql(_MEMBERS, params=[grouping]).pl())

    def of_members(self, members: pl.DataFrame) -> dict[str, Factor]:
        """True slides per find of groups whose parts are given: group_key, cluster, take_id, player, weight."""
        made = {}
        placed = members.join(self.parts, on=_PART, maintain_order="left")
        for key, rows in placed.group_by("group_key", maintain_order=True):
            part = rows["part"].to_numpy()
            names, at = np.unique(rows["cluster"].to_numpy().astype(str), return_inverse=True)
            weight = rows["weight"].to_numpy() * self.finds[part]
            share = sparse.csr_matrix((weight, (at, np.arange(part.size))), shape=(names.size, part.size))
            there, found = share @ self.per_find[part], np.bincount(at, weight)[:, None]
            whole = there.sum(axis=0) / found.sum()
            made[str(key[0])] = self._factor(whole, rows["stratum"].to_numpy(), there / found, names.tolist())
        return made

    def median_ms(self, con: duckdb.DuckDBPyConnection, grouping: str) -> dict[str, float]:
        """Median length of the slides that were there in each group, where each find counts for those that it stands
        for by its length, size and side; nothing without plantings."""
        if self.recovered is None or self.lengths is None:
            return {}
        if grouping in SLIDE_GROUPINGS:
            rows = con.sql(_FINDS_IN_GROUP, params=[grouping]).pl()
            there = _by_length(rows, self.sides, self.recovered)
        else:
            rows = con.sql(_MEMBERS, params=[grouping]).pl().join(self.parts, on=_PART, maintain_order="left")
            part = rows["part"].to_numpy()
            there = sparse.diags_array(rows["weight"].to_numpy()) @ self.lengths[part]
        if rows.is_empty():
            return {}
        keys = rows["group_key"].unique().sort().to_list()
        at = _numbers(rows["group_key"], {key: place for place, key in enumerate(keys)})
        lengths = (_rows_of(at, len(keys)) @ there).toarray()
        some = lengths.sum(axis=1) > 0
        return dict(zip(np.array(keys)[some].tolist(), _median_of_classes(lengths[some]), strict=True))

    def finger_shares(self, con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
        """Rows of ``result.finger_share``; none without plantings."""
        if self.recovered is None:
            return pl.DataFrame()
        rows = con.sql(_FINGERS).pl()
        side = _numbers(rows["transfer_id"], self.sides)
        there = pl.Series("there", rows["finds"].to_numpy() * self.recovered.mean[rows["class"].to_numpy(), side])
        of_kind = {kind: pl.col("there").filter(pl.col("found_kind") == kind).sum() for kind in KINDS}
        groups = rows.with_columns(there).group_by("grouping", "group_key", "direction", maintain_order=True)
        shares = [(each / pl.col("there").sum()).alias(f"share_{kind}_corrected") for kind, each in of_kind.items()]
        made: pl.DataFrame = groups.agg(shares)
        return made

    def of_takes(self, takes: pl.DataFrame) -> Floats:
        """Draws for the rows of a frame with take_id and player_id, shape (rows, replicates)."""
        keyed = takes.select("take_id", pl.col("player_id").fill_null("~").alias("player"))
        part = keyed.join(self.parts, on=_PART, how="left", maintain_order="left")["part"].to_numpy()
        return np.asarray(self.per_find[part])

    def table(self) -> pl.DataFrame:
        """Rows of ``result.slides_per_find``."""
        low, middle, high = np.quantile(self.per_find, [0.025, 0.5, 0.975], axis=1)
        stratum = self.parts["stratum"].to_numpy()
        return self.parts.select("take_id", pl.col("player").alias("player_key")).with_columns(
            pl.Series("slides_per_find", middle),
            pl.Series("slides_per_find_low", low),
            pl.Series("slides_per_find_high", high),
            pl.lit(self.source).alias("correction"),
            pl.Series("judged", self.judged[stratum].astype(np.int64)),
            pl.Series("planted", self.planted[stratum].astype(np.int64)),
            pl.Series("draws", self.per_find.round(6).tolist(), dtype=pl.List(pl.Float64)),
        )

    def whole(self) -> Factor:
        """Of the whole corpus."""
        there = (self.per_find * self.finds[:, None]).sum(axis=0) / self.finds.sum()
        return self._factor(there, np.arange(self.judged.size), None, ())

    def _of_slides(self, con: duckdb.DuckDBPyConnection, grouping: str) -> dict[str, Factor]:
        rows = con.sql(_FINDS_IN_GROUP, params=[grouping]).pl().join(self.parts, on=_PART, maintain_order="left")
        if rows.is_empty():
            return {}
        keys = rows["group_key"].unique().sort().to_list()
        at = _numbers(rows["group_key"], {key: place for place, key in enumerate(keys)})
        there = summed(rows, self.sides, self.recovered, at, len(keys), level=self.level)
        whole = there / np.bincount(at, rows["finds"].to_numpy())[:, None]
        every = np.arange(self.judged.size)
        return {str(key): self._factor(whole[place], every, None, ()) for place, key in enumerate(keys)}

    def _factor(self, whole: Floats, strata: Ints, clusters: Floats | None, names: list[str] | tuple[()]) -> Factor:
        own = np.unique(strata)
        return Factor(whole, clusters, names, self.source, int(self.judged[own].sum()), int(self.planted[own].sum()))


def _numbers(names: pl.Series, places: Mapping[str, int]) -> Ints:
    """The place of each name, without a Python object for each of millions."""
    return names.replace_strict(places, return_dtype=pl.Int64).to_numpy().astype(np.intp)


def _rows_of(of: Ints, number: int) -> sparse.csr_array:
    """What sums the rows of another matrix that belong to each of so many sums."""
    return sparse.csr_array((np.ones(of.size), (of, np.arange(of.size))), shape=(number, of.size))


def _by_length(finds: pl.DataFrame, sides: Mapping[str, int], recovered: Recovered) -> sparse.csr_array:
    """Slides that were there for each row of finds, in the column of its class of length, shape (rows, lengths)."""
    side = _numbers(finds["transfer_id"], sides)
    kind = finds["class"].to_numpy()
    number = finds["finds"].to_numpy() * recovered.mean[kind, side]
    place = np.arange(kind.size), kind // (2 * CLASS_SEMITONES.size)
    return sparse.csr_array((number, place), shape=(kind.size, CLASS_MS.size))


def _median_of_classes(there: Floats) -> list[float]:
    """Median length in ms of each row of counts by class of length, even within its class on the log scale."""
    step = float(CLASS_MS[1] / CLASS_MS[0])
    made = []
    for row in there:
        below = np.cumsum(row)
        place = int(np.searchsorted(below, below[-1] / 2))
        within = (below[-1] / 2 - (below[place] - row[place])) / row[place]
        made.append(float(CLASS_MS[place] * step ** (within - 0.5)))
    return made


def correction(con: duckdb.DuckDBPyConnection, *, seed: int) -> Correction | None:
    """What is known of the error of finding in the whole corpus, whatever takes are chosen; None if nothing is."""
    spans = con.sql(_SPANS).pl()
    parts = spans.unique(_PART, keep="first", maintain_order=True).with_row_index("part")
    if parts.is_empty():
        return None
    sounds = sorted(set(parts.select(_SOUND).iter_rows()))
    parts = parts.with_columns(
        pl.col("part").cast(pl.Int64),
        pl.Series("sound", [sounds.index(row) for row in parts.select(_SOUND).iter_rows()], dtype=pl.Int64),
    )
    sides = {name: place for place, name in enumerate(sorted(set(spans["transfer_id"])))}
    finds = con.sql(_FINDS).pl().join(parts.select(*_PART, "part"), on=_PART, maintain_order="left")
    number = np.bincount(finds["part"].to_numpy(), finds["finds"].to_numpy(), minlength=parts.height)
    sound_of = dict(parts.select("take_id", "sound").iter_rows())
    by_sound = np.bincount(parts["sound"].to_numpy(), number, minlength=len(sounds)).astype(np.float64)
    heard = listened(con, sounds, sound_of, by_sound, seed=seed)
    of_side = np.zeros(len(sides), dtype=np.intp)
    for name, take_id in spans.select("transfer_id", "take_id").iter_rows():
        of_side[sides[name]] = sound_of[take_id]
    recovered, planted = _recovered(con, sides, of_side, len(sounds), seed=seed)
    return combined(parts, finds, sides, heard, recovered, planted)


def combined(
    parts: pl.DataFrame,
    finds: pl.DataFrame,
    sides: Mapping[str, int],
    heard: Listened | None,
    recovered: Recovered | None,
    planted: Ints,
) -> Correction | None:
    """What listening and recovery say of each part together; None if both say nothing.

    Parameters
    ----------
    parts : a row for each take and player: take_id, player, part (its number) and sound.
    finds : how many of a class there are on a side in a part: transfer_id, class, finds, part.
    sides : number of each transfer.
    recovered : what finds stand for by plantings, sides numbered as in ``sides``.
    planted : slides planted in each kind of sound, shape (sounds,).
    """
    if heard is None and recovered is None:
        return None
    part = finds["part"].to_numpy()
    number = np.bincount(part, finds["finds"].to_numpy(), minlength=parts.height)
    strata = np.arange(planted.size) if heard is None else heard.strata
    stratum, size = strata[parts["sound"].to_numpy()], int(strata.max()) + 1
    there = summed(finds, sides, recovered, part, parts.height)
    in_stratum = np.zeros((size, REPLICATES))
    np.add.at(in_stratum, stratum, there)
    usual = (in_stratum + _TRIFLE) / (np.bincount(stratum, number, minlength=size) + _TRIFLE)[:, None]
    level = np.ones_like(usual) if heard is None else heard.per_find.T / usual
    of_part = np.where(number[:, None] > 0, there / np.maximum(number, 1)[:, None], usual[stratum])
    return Correction(
        parts=parts.select(*_PART, "part", pl.Series("stratum", stratum)),
        sides=sides,
        per_find=of_part * level[stratum],
        level=level,
        finds=np.maximum(number, _TRIFLE),
        recovered=recovered,
        lengths=None if recovered is None else _rows_of(part, parts.height) @ _by_length(finds, sides, recovered),
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
    side = _numbers(rows["transfer_id"], sides)
    planted = Plantings(side, *(rows[name].to_numpy() for name in ("duration_ms", "semitones", "broken")))
    known = curves(planted, rows["found"].to_numpy().astype(bool), sides=len(sides), groups=sound)
    return recovered_by(known, seed=(seed, 7)), np.bincount(sound[side], minlength=sounds)


def summed(
    finds: pl.DataFrame,
    sides: Mapping[str, int],
    recovered: Recovered | None,
    of: Ints,
    number: int,
    *,
    level: Floats | None = None,
) -> Floats:
    """Draws of the slides that were there for the finds of each of so many sums, shape (number, replicates).

    Parameters
    ----------
    finds : transfer_id, class, finds, and with ``level`` (strata, replicates) stratum.
    of : number of the sum that each row belongs to, shape (rows,).
    """
    strata = np.zeros(finds.height, dtype=np.intp) if level is None else finds["stratum"].to_numpy()
    side = _numbers(finds["transfer_id"], sides)
    # The finds of a sum and stratum on a side by class: few such parts, and one product for all of them.
    shape = (len(sides), number, 1 if level is None else level.shape[0])
    named, at = np.unique(np.ravel_multi_index((side, of, strata), shape), return_inverse=True)
    parts, size = np.stack(np.unravel_index(named, shape)), named.size
    counts = sparse.csr_array((finds["finds"].to_numpy(), (at, finds["class"].to_numpy())), shape=(size, _CLASSES))
    made = np.zeros((number, REPLICATES))
    for start in range(0, size, _PARTS_AT_ONCE):
        own = slice(start, start + _PARTS_AT_ONCE)
        own_side, own_sum, own_stratum = parts[:, own]
        if recovered is None:
            there = np.repeat(np.asarray(counts[own].sum(axis=1))[:, None], REPLICATES, axis=1)
        else:
            there = recovered.there(counts[own], own_side)
        if level is not None:
            there *= level[own_stratum]
        made += _rows_of(own_sum, number) @ there
    return made
