"""What a listening check draws from: slides found, changes of note without one, and stretches of solo without one.

Finds are taken before any verdict, in what is counted. Each item has the properties that strata are made of, and a
``chance``: how likely it is a slide by what is stated of it, which says how much there is to learn.
"""

from collections.abc import Sequence

import polars as pl

from pipeline.answers.listening.draw import stretches
from pipeline.errors import UsageError
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only

STRATA = ("process", "noise", "accompaniment", "instrument", "player", "kind", "confidence", "take")
USUAL = ("process", "noise", "confidence")
"""What rates are corrected by, and what tells most of misses."""
POPULATIONS = ("slide", "transition", "stretch")
_COLUMN = {"player": "player_id", "take": "take_id", "confidence": "class"}
_NOT_OF_ALL = {"kind": ("slide",), "confidence": ("slide", "transition")}

# Classes of confidence: of finds by what is stated, of changes by their place among all, since misses are rare and
# stand among the likeliest (stats.detection).
_CLASSES = """
    case
        when {of} is null then null
        when {of} < 0.8 then 'confidence below 0.8'
        when {of} < 0.95 then 'confidence 0.8 to 0.95'
        else 'confidence above 0.95'
    end"""
_RANKS = """
    case
        when rank() over scores <= 0.05 * count(*) over () then 'likeliest 5 %'
        when rank() over scores <= 0.2 * count(*) over () then 'next 15 %'
        else 'other 80 %'
    end"""
_PROPERTIES = """
    sound.process, sound.noise, sound.accompaniment, coalesce(melody.instrument, 'unknown') as instrument,"""
_JOINED = """
join stage.take_sound as sound on sound.take_id = item.take_id
left join base.melody as melody on melody.transfer_id = item.transfer_id
"""
_SLIDES = f"""
select
    item.slide_id as id, item.transfer_id, item.take_id, item.player_id, {_PROPERTIES} item.found_kind as kind,
    item.confidence, {_CLASSES.format(of="item.confidence")} as class, item.confidence as chance,
    item.transfer_audible_start_s as transfer_start_s, item.transfer_audible_end_s as transfer_end_s,
from stage.owned_slide as item
{_JOINED}
where item.origin = 'found'
order by id
"""
_CHANGES = f"""
select
    item.transition_id as id, item.transfer_id, item.take_id, item.player_id, {_PROPERTIES}
    null::varchar as kind, {_RANKS} as class,
    coalesce(1 / (1 + exp(-item.slide_score)), 0) as chance, chance as confidence,
    first_note.transfer_end_s - 0.05 as transfer_start_s, second_note.transfer_start_s + 0.05 as transfer_end_s,
from fact.transition as item
{_JOINED}
join base.note as first_note on first_note.note_id = item.from_note_id
join base.note as second_note on second_note.note_id = item.to_note_id
left join base.slide on slide.to_note_id = item.to_note_id
where slide.slide_id is null
window scores as (order by item.slide_score desc nulls last)
order by id
"""
_SPANS = f"""
select
    item.transfer_id, item.take_id, item.player_id, {_PROPERTIES} null::varchar as kind, null::double as confidence,
    null::varchar as class, 0::double as chance, item.transfer_start_s, item.transfer_end_s,
from stage.counted_span as item
{_JOINED}
order by item.transfer_id, item.transfer_start_s
"""


def populations(corpus: Corpus) -> dict[str, pl.DataFrame]:
    """The items of each of ``POPULATIONS``, with the columns of ``STRATA``, and ``chance``.

    Raises
    ------
    DataError
        If there is no database.
    """
    with open_read_only(corpus.root) as con:
        slides, changes, spans = (con.sql(text).pl() for text in (_SLIDES, _CHANGES, _SPANS))
    return {"slide": slides, "transition": changes, "stretch": stretches(spans, slides)}


def refuse_unknown(strata: Sequence[str]) -> None:
    """
    Raises
    ------
    UsageError
        If one of them is none of ``STRATA``.
    """
    if unknown := [name for name in strata if name not in STRATA]:
        raise UsageError(f"--by {','.join(unknown)}: choose from {', '.join(STRATA)}")


def columns_of(strata: Sequence[str], population: str) -> list[str]:
    """The columns that hold those of the properties that a population has."""
    return [_COLUMN.get(name, name) for name in strata if population in _NOT_OF_ALL.get(name, POPULATIONS)]
