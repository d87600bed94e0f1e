"""Verdicts that match nothing any more: made on other samples, or where no find lies now as it did then."""

from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only

_UNMATCHED = """
select transfer_id, transfer_start_s, transfer_end_s, listener, verdict, what, overlap
from "check".unmatched_verdict order by all
"""


def unmatched_verdicts(corpus: Corpus) -> list[str]:
    """One line for each verdict that is kept but counts for nothing, with the reason: ``check.unmatched_verdict``.

    Raises
    ------
    DataError
        If there is no database yet.
    """
    with open_read_only(corpus.root) as con:
        found = con.execute(_UNMATCHED).fetchall()
    return [
        f"{transfer_id} {start_s:.2f}–{end_s:.2f} s, {verdict} by {listener}: {what}"
        + (f" ({overlap:.2f} of both together)" if "too little" in what else "")
        for transfer_id, start_s, end_s, listener, verdict, what, overlap in found
    ]
