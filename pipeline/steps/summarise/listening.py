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
    Judgements,
    merged_strata,
    true_slides_per_find,
    with_drawn_truths,
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
_TRUTHS = 100  # draws of what excerpts are, each with as many of the rest (judgement)

_ITEMS = """
select sample_id || '/' || item_id as item, listener, heard.take_id, heard.transfer_id, drawn_from, verdict,
    stands_for_how_many as stands_for, coalesce(slide_score, $1) as score, slide.confidence,
from stage.heard_item as heard
left join base.slide on drawn_from = 'slide' and slide.slide_id = heard.stands_for
where heard.stands_for is not null and drawn_from in ('slide', 'transition') and heard.take_id is not null
order by item, listener
"""
_CHANGES = """
select take_id, round(coalesce(slide_score, $1) / $2) * $2 as score, count(*)::double as changes
from stage.owned_transition
where not has_find
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
    judged = judged_items(con, seed=seed)
    kept = judged.items["take_id"].is_in(list(sound_of)).to_numpy()
    items = judged.items.filter(pl.Series(kept))
    of = np.array([sound_of[take] for take in items["take_id"]], dtype=np.intp)
    is_find = (items["drawn_from"] == "slide").to_numpy()
    if items.height < LEAST_JUDGED or is_find.sum() < ENOUGH_FINDS:
        return None
    keys = merged_strata(sounds, np.bincount(of[is_find], minlength=len(sounds)).astype(np.float64).tolist())
    names = sorted(set(keys), key=str)
    strata = np.array([names.index(key) for key in keys], dtype=np.intp)
    stratum_of = {take: int(strata[sound]) for take, sound in sound_of.items()}
    changes = (
        con.sql(_CHANGES, params=[_UNSCORED, _SCORE_STEP])
        .pl()
        .with_columns(
            pl.col("take_id").replace_strict(stratum_of, default=None, return_dtype=pl.Int64).alias("stratum")
        )
        .drop_nulls("stratum")
        .group_by("stratum", "score")
        .agg(pl.col("changes").sum())
        .sort("stratum", "score")
    )
    stratum, stands_for = strata[of[is_find]], items["stands_for"].to_numpy()[is_find]
    total = np.bincount(stratum, stands_for, minlength=len(names))
    worth = worth_by_stratum(stands_for, stratum, strata=len(names))

    def given(truth: Floats) -> Judgements:
        true = np.bincount(stratum, stands_for * truth[is_find], minlength=len(names))
        return Judgements(
            finds=np.bincount(strata, finds, minlength=len(names)).astype(np.float64),
            judged_finds=worth,
            true_finds=worth * true / np.maximum(total, 1e-12),
            strata=strata[of[~is_find]],
            scores=items["score"].to_numpy()[~is_find],
            is_slide=truth[~is_find],
            all_strata=changes["stratum"].to_numpy().astype(np.intp),
            all_scores=changes["score"].to_numpy(),
            changes=changes["changes"].to_numpy(),
        )

    if judged.truths is None:
        per_find = true_slides_per_find(given(items["is_slide"].to_numpy()), seed=(seed, 11))
    else:
        per_find = with_drawn_truths(given, judged.truths[:, kept], seed=(seed, 11))
    return Listened(strata, per_find, np.bincount(strata[of], minlength=len(names)))


@dataclass(frozen=True)
class Judged:
    """Each excerpt with a clear answer: ``is_slide`` is 0 or 1, or a chance where two listeners answered enough of them
    (``stats.latent_class``); then ``truths`` holds draws of which are slides, shape (draws, items)."""

    items: pl.DataFrame
    truths: Floats | None = None


def judged_items(con: duckdb.DuckDBPyConnection, *, seed: int) -> Judged:
    """What listeners say of the excerpts that were drawn."""
    answers: pl.DataFrame = con.sql(_ITEMS, params=[_UNSCORED]).pl()
    once = answers.unique("item", keep="first", maintain_order=True)
    heard = answers.with_columns(
        pl.col("verdict").replace_strict({"slide": 1.0, "no_slide": 0.0, "cannot_tell": float("nan")})
    ).pivot("listener", index="item", values="verdict", maintain_order=True)
    table = heard.drop("item").fill_null(float("nan")).to_numpy().astype(np.float64)
    twice = int((np.isfinite(table).sum(axis=1) >= 2).sum())
    if twice >= ENOUGH_TWICE:
        group = (once["drawn_from"] == "transition").cast(pl.Int64).to_numpy().astype(np.intp)
        made = latent_class(Answers(table, group), seed=(seed, 13), replicates=_TRUTHS)
        assert made is not None
        clear = np.isfinite(table).any(axis=1)
        told = once.with_columns(pl.Series("is_slide", made.chance)).filter(pl.Series(clear))
        return Judged(told, made.truths[:, clear])
    verdicts = answers.group_by("item", maintain_order=True).agg("verdict")
    said = [majority(list(each)) for each in verdicts["verdict"]]
    return Judged(
        once.with_columns(pl.Series("said", said, dtype=pl.String))
        .filter(pl.col("said") != "cannot_tell")
        .with_columns((pl.col("said") == "slide").cast(pl.Float64).alias("is_slide"))
    )
