"""What listeners say of drawn excerpts, as judgements by kind of sound: the material of corrected rates."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import duckdb
import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.stats.agreement import majority
from pipeline.stats.detection import (
    ENOUGH_FINDS,
    LEAST_JUDGED,
    REPLICATES,
    Judgements,
    merged_strata,
    true_slides_per_find,
    worth_by_stratum,
)
from pipeline.stats.latent_class import Answers, latent_class
from pipeline.units import Floats

Ints = npt.NDArray[np.intp]
ENOUGH_TWICE = 50
"""Excerpts that two listeners must have judged before neither is taken for the truth (judgement)."""
_UNSCORED = -9.0
"""Score of a change on which nothing could be a slide: the least that the trees give (renders)."""
_SCORE_STEP = 0.5

_ITEMS = """
select sample_id || '/' || item_id as item, listener, heard.take_id, heard.transfer_id, drawn_from, verdict,
    stands_for_how_many as stands_for, coalesce(slide_score, $1) as score, slide.confidence,
from stage.heard_item as heard
left join base.slide on drawn_from = 'slide' and slide.slide_id = heard.stands_for
where heard.stands_for is not null and drawn_from in ('slide', 'transition') and heard.take_id is not null
order by item, listener
"""
_CHANGES = """
select chance.take_id, round(coalesce(chance.slide_score, $1) / $2) * $2 as score, count(*)::double as changes
from stage.chance as chance
join base.note as note on note.note_id = chance.to_note_id
join stage.counted_span as span
    on span.transfer_id = chance.transfer_id and span.take_id = chance.take_id
    and note.transfer_start_s >= span.transfer_start_s and note.transfer_start_s < span.transfer_end_s
anti join base.slide as slide
    on slide.from_note_id = chance.from_note_id and slide.to_note_id = chance.to_note_id
group by all order by all
"""


@dataclass(frozen=True)
class Listened:
    """What listening says of each kind of sound.

    Attributes
    ----------
    strata : the stratum in which each kind of sound is corrected, shape (sounds,).
    per_find : draws of true slides per find, shape (replicates, strata).
    judged : excerpts judged in each stratum, shape (strata,).
    """

    strata: Ints
    per_find: Floats
    judged: Ints


def listened(
    con: duckdb.DuckDBPyConnection,
    sounds: Sequence[tuple[Hashable, ...]],
    sound_of: dict[str, int],
    finds: Floats,
    *,
    seed: int,
) -> Listened | None:
    """True slides per find by the listening checks; None if too little has been judged.

    Parameters
    ----------
    sounds : the kinds of sound, each as its process, accompaniment and noise.
    sound_of : number of the sound of each take.
    finds : in each sound, shape (sounds,).
    """
    items = judged_items(con, seed=seed)
    items = items.filter(pl.col("take_id").is_in(list(sound_of)))
    of = np.array([sound_of[take] for take in items["take_id"]], dtype=np.intp)
    is_find = (items["drawn_from"] == "slide").to_numpy()
    if items.height < LEAST_JUDGED or is_find.sum() < ENOUGH_FINDS:
        return None
    keys = merged_strata(sounds, np.bincount(of[is_find], minlength=len(sounds)).astype(np.float64).tolist())
    names = sorted(set(keys), key=str)
    strata = np.array([names.index(key) for key in keys], dtype=np.intp)
    changes = con.sql(_CHANGES, params=[_UNSCORED, _SCORE_STEP]).pl().filter(pl.col("take_id").is_in(list(sound_of)))
    truth, weight = items["is_slide"].to_numpy(), items["stands_for"].to_numpy()
    stratum, stands_for = strata[of[is_find]], weight[is_find]
    judged = worth_by_stratum(stands_for, stratum, strata=len(names))
    total, true = (np.bincount(stratum, x, minlength=len(names)) for x in (stands_for, stands_for * truth[is_find]))
    given = Judgements(
        finds=np.bincount(strata, finds, minlength=len(names)).astype(np.float64),
        judged_finds=judged,
        true_finds=judged * true / np.maximum(total, 1e-12),
        strata=strata[of[~is_find]],
        scores=items["score"].to_numpy()[~is_find],
        is_slide=truth[~is_find],
        all_strata=strata[np.array([sound_of[take] for take in changes["take_id"]], dtype=np.intp)],
        all_scores=changes["score"].to_numpy(),
        changes=changes["changes"].to_numpy(),
    )
    per_find = true_slides_per_find(given, seed=(seed, 11), replicates=REPLICATES)
    return Listened(strata, per_find, np.bincount(strata[of], minlength=len(names)))


def judged_items(con: duckdb.DuckDBPyConnection, *, seed: int) -> pl.DataFrame:
    """Each excerpt with a clear answer: whether it is a slide, 0 or 1, or a chance where two listeners answered enough
    of them (``stats.latent_class``)."""
    answers: pl.DataFrame = con.sql(_ITEMS, params=[_UNSCORED]).pl()
    once = answers.unique("item", keep="first", maintain_order=True)
    heard = answers.with_columns(
        pl.col("verdict").replace_strict({"slide": 1.0, "no_slide": 0.0, "cannot_tell": float("nan")})
    ).pivot("listener", index="item", values="verdict", maintain_order=True)
    table = heard.drop("item").fill_null(float("nan")).to_numpy().astype(np.float64)
    twice = int((np.isfinite(table).sum(axis=1) >= 2).sum())
    if twice >= ENOUGH_TWICE:
        group = (once["drawn_from"] == "transition").cast(pl.Int64).to_numpy().astype(np.intp)
        sides = once["transfer_id"].rank("dense").to_numpy().astype(np.intp) - 1
        made = latent_class(Answers(table, group, sides), seed=(seed, 13), replicates=2)
        assert made is not None
        clear = np.isfinite(table).any(axis=1)
        return once.with_columns(pl.Series("is_slide", made.truth)).filter(pl.Series(clear))
    verdicts = answers.group_by("item", maintain_order=True).agg("verdict")
    said = [majority(list(each)) for each in verdicts["verdict"]]
    return (
        once.with_columns(pl.Series("said", said, dtype=pl.String))
        .filter(pl.col("said") != "cannot_tell")
        .with_columns((pl.col("said") == "slide").cast(pl.Float64).alias("is_slide"))
    )
