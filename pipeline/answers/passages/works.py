"""Which works have a written part, and how many takes are laid on it."""

from typing import Any

from pipeline.answers.open_corpus import OpenCorpus
from pipeline.errors import DataError, typed

_WORKS = """select work.work_id, work.title, count(distinct take.take_id) as takes,
    count(distinct place.take_id) as takes_placed, count(distinct place.player_id) as players,
    string_agg(distinct part.edition, '; ' order by part.edition) as editions
from base.written_part as part
join base.work as work on work.work_id = part.work_id
left join base.take as take on take.work_id = part.work_id
left join fact.written_place_take as place on place.work_id = part.work_id
group by work.work_id, work.title
order by takes_placed desc, takes desc, work.work_id"""


def works(corpus: OpenCorpus) -> list[dict[str, Any]]:
    """The works that have a written part, most takes first.

    Each with work_id, title, takes (all of the work), takes_placed (of which some notes stand in the part), players of
    these, and editions.

    Raises
    ------
    DataError
        If no work has one.
    """
    found = corpus.sql(_WORKS).to_dicts()
    if not found:
        cure = f'`glideline part add {typed(corpus.root)} WORK FILE --edition "…"` reads one in; then run'
        raise DataError("no work has a written part", cure)
    return found
