"""How an answer moves when what it rests on is chosen otherwise: one thing at a time, everything counted again.

Thresholds can only be raised, since slides below those of the run were not kept. Corrections are made again too: slides
planted count as found only above the threshold, and finds that fell out no longer count as judged.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.answers.open_corpus import OpenCorpus
from pipeline.answers.selection import Selection, select
from pipeline.errors import UsageError
from pipeline.settings import read_settings
from pipeline.store.database.read import find_view, open_beside
from pipeline.store.database.views import Name, reads
from pipeline.store.schema import Relation

MEASURES = ("ratio", "slides_per_minute", "slides_per_bar")
"""What is followed, where a view has it: all variations act on these."""
MOST_ROWS = 12
AS_COUNTED = "as counted"


@dataclass(frozen=True)
class Variation:
    """One choice made otherwise: in words, and the tables that are others then (``selection.select``).

    ``only`` is a part of the names of groupings on which it acts; empty: on all.
    """

    what: str
    to: str
    instead: Mapping[Name, str]
    only: str = ""


def _surer(least: float) -> Mapping[Name, str]:
    return {
        ("base", "slide"): f"select * from corpus.base.slide where confidence >= {least}",
        ("base", "recovery"): f"select * replace (found and confidence >= {least} as found) from corpus.base.recovery",
    }


def _larger(condition: str) -> Mapping[Name, str]:
    """What is smaller counts as no slide, so that it is not taken for one missed either."""
    smaller = f"select to_note_id from corpus.base.slide where not ({condition})"
    return {
        ("base", "slide"): f"select * from corpus.base.slide where {condition}",
        ("base", "transition"): f"select * replace (if(to_note_id in ({smaller}), null, slide_score) as slide_score) "
        "from corpus.base.transition",
    }


def _takes(condition: str) -> Mapping[Name, str]:
    return {("fact", "take_tally"): f"select * from corpus.fact.take_tally where {condition}"}


def _periods(years: int) -> Mapping[Name, str]:
    moved = ", ".join(f"(span_{end} + interval '{years} years')::date as span_{end}" for end in ("earliest", "latest"))
    return {("base", "period"): f"select * replace ({moved}) from corpus.base.period"}


def _speeds(limit: str) -> Mapping[Name, str]:
    stretch = f"coalesce(2 ** ((speed.offset_cents - speed.offset_{limit}_cents) / 1200), 1)"
    return {
        ("stage", "counted_span"): f"select span.* replace (minutes * {stretch} as minutes) from "
        "corpus.stage.counted_span as span left join corpus.base.speed on speed.transfer_id = span.transfer_id"
    }


_NOT_NOISY = "take_id not in (select take_id from corpus.stage.take_sound where noise = 'noisy')"
VARIATIONS = (
    Variation(AS_COUNTED, "", {}),
    *(Variation("least confidence", f"{least:g}", _surer(least)) for least in (0.8, 0.9, 0.95)),
    *(Variation("shortest slide", f"{ms} ms", _larger(f"duration_ms >= {ms}")) for ms in (60, 80, 100)),
    *(
        Variation("smallest slide", f"{cents / 100:g} semitones", _larger(f"abs(interval_cents) >= {cents}"))
        for cents in (150, 250, 350)
    ),
    *(
        Variation("periods begin", f"{abs(y)} years {'later' if y > 0 else 'earlier'}", _periods(y), "period")
        for y in (-2, 2)
    ),
    Variation("doubtful dates", "left out", _takes("year(recorded_earliest) = year(recorded_latest)")),
    Variation("doubtful attributions", "left out", _takes("coalesce(certainty, '') = 'certain'")),
    Variation(
        "doubtful teachings",
        "left out",
        {("base", "teaching"): "select * from corpus.base.teaching where certainty = 'certain'"},
        "lineage",
    ),
    Variation("noisier half of the takes", "left out", _takes(_NOT_NOISY)),
    Variation("takes of ambiguous speed", "left out", _takes("not coalesce(has_ambiguous_speed, false)")),
    Variation("speed of all sides", "slowest in its limits", _speeds("low")),
    Variation("speed of all sides", "fastest in its limits", _speeds("high")),
)
"""Judgement, all of these: steps wide enough to show, and near enough for a reader to have chosen them."""


@dataclass(frozen=True)
class Varied:
    """An answer under each variation.

    Attributes
    ----------
    rows : varied, to, group, value, low, high; a row for each variation and row of the view.
    measure : the column that ``value`` comes from.
    """

    rows: pl.DataFrame
    measure: str


def varied(root: Path | str, view: str, selection: Selection, *, where: str | None = None) -> Varied:
    """Count a view again under each of ``VARIATIONS``.

    Raises
    ------
    UsageError
        If the view holds none of ``MEASURES``, or more rows than can be shown; or as ``OpenCorpus.selected`` does.
    """
    relation = find_view(view)
    with OpenCorpus(root) as corpus:
        now = corpus.selected(view, selection, where=where).frame
    measure = next((name for name in MEASURES if f"{name}_low" in now.columns), None)
    if measure is None or not relation.groupings:
        raise UsageError(f"{view} holds no rate and no ratio to vary", "try slides_by_player, or comparison")
    if now.height > MOST_ROWS:
        raise UsageError(f"{view} has {now.height} rows: too many to vary", f"choose {MOST_ROWS} at most with --where")
    corrected = f"{measure}_corrected"
    if corrected in now.columns and now[corrected].is_not_null().any():
        measure = corrected
    settings = read_settings(Path(root) / "settings.toml").summarise
    names = _names(now, relation)
    parts = []
    for variation in VARIATIONS:
        if not _acts(variation, relation):
            continue
        with open_beside(Path(root)) as con:
            made = select(
                con,
                relation,
                selection,
                seed=settings.seed,
                replicates=settings.replicates,
                where=where,
                instead=variation.instead,
            )
        parts.append(_rows(made.frame, names, measure, variation))
    return Varied(pl.concat(parts), measure)


def _acts(variation: Variation, relation: Relation) -> bool:
    grouped = any(variation.only in name for name in relation.groupings)
    return grouped or not reads((relation.layer, relation.name)).isdisjoint(variation.instead)


def _rows(frame: pl.DataFrame, names: Sequence[str], measure: str, variation: Variation) -> pl.DataFrame:
    return frame.select(
        pl.lit(variation.what).alias("varied"),
        pl.lit(variation.to).alias("to"),
        pl.concat_str([pl.col(name).cast(pl.String) for name in names], separator=" · ", ignore_nulls=True)
        .str.replace_all("_", " ")
        .alias("group"),
        *(pl.col(f"{measure}{end}").cast(pl.Float64).alias(name) for end, name in _ENDS),
    )


_ENDS = (("", "value"), ("_low", "low"), ("_high", "high"))


def _names(frame: pl.DataFrame, relation: Relation) -> Sequence[str]:
    """Columns that tell the rows apart: of the key those that differ, with names of people and things for their ids."""
    key = [name for name in relation.key if frame[name].n_unique() > 1] or relation.key
    return [name.removesuffix("_id") if name.removesuffix("_id") in frame.columns else name for name in key]
