"""Verdicts that match nothing any more: made on other samples, or where no find lies now as it did then."""

import polars as pl

from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only

LEAST_OVERLAP = 0.3  # intersection over union with a find from which a verdict is about it

_UNMATCHED = """
with sound as (
    select transfer_id, max(samples_sha256) as samples_sha256
    from base.run where samples_sha256 is not null group by transfer_id
),
heard as (
    select
        review.transfer_id, review.transfer_start_s, review.transfer_end_s, review.listener, review.verdict,
        coalesce(review.sample_id, '') as sample_id,
        coalesce(review.samples_sha256 <> sound.samples_sha256, false) as other_sound,
    from base.review left join sound on sound.transfer_id = review.transfer_id
),
nearest as (
    select
        heard.transfer_id, heard.transfer_start_s, heard.transfer_end_s,
        max(
            (least(heard.transfer_end_s, slide.transfer_audible_end_s)
                - greatest(heard.transfer_start_s, slide.transfer_audible_start_s))
            / (greatest(heard.transfer_end_s, slide.transfer_audible_end_s)
                - least(heard.transfer_start_s, slide.transfer_audible_start_s))
        ) as overlap,
    from heard join base.slide
        on slide.transfer_id = heard.transfer_id
        and slide.transfer_audible_start_s < heard.transfer_end_s
        and slide.transfer_audible_end_s > heard.transfer_start_s
    group by all
)
select
    heard.transfer_id, heard.transfer_start_s, heard.transfer_end_s, heard.listener, heard.verdict,
    heard.sample_id, heard.other_sound, nearest.overlap,
from heard left join nearest using (transfer_id, transfer_start_s, transfer_end_s)
where
    heard.other_sound or nearest.overlap <= $least
    -- A slide heard where none is found is added; the rest was about a find if it was drawn from the finds.
    or (nearest.overlap is null and heard.verdict <> 'slide')
order by all
"""


def unmatched_verdicts(corpus: Corpus) -> list[str]:
    """One line for each verdict that is kept but counts for nothing, with the reason.

    Raises
    ------
    DataError
        If there is no database yet.
    """
    with open_read_only(corpus.root) as con:
        found = con.execute(_UNMATCHED, {"least": LEAST_OVERLAP}).fetchall()
    drawn = corpus.catalogue.frame("drawn_item").filter(pl.col("drawn_from") == "slide")
    finds = {
        (row["sample_id"], row["transfer_id"], round(row["transfer_start_s"], 6)) for row in drawn.iter_rows(named=True)
    }
    lines = []
    for transfer_id, start_s, end_s, listener, verdict, sample_id, other_sound, overlap in found:
        if other_sound:
            why = "made on other samples than the transfer has now"
        elif overlap is not None:
            why = f"the nearest find overlaps it by {overlap:.2f} only"
        elif (sample_id, transfer_id, round(start_s, 6)) in finds:
            why = "the find that it was about is found no more"
        else:
            continue
        lines.append(f"{transfer_id} {start_s:.2f}–{end_s:.2f} s, {verdict} by {listener}: {why}")
    return lines
