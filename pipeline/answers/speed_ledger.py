"""The speed ledger as frames: every transfer in a line, and all readings of one."""

from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from pipeline.answers.open_corpus import OpenCorpus
from pipeline.errors import DataError, typed
from pipeline.store.corpus import Corpus

if TYPE_CHECKING:
    from pipeline.answers.corrected_audio import CorrectedFile


def speed(folder: Path | str, transfer_id: str | None = None) -> pl.DataFrame:
    """The speed ledger of a corpus (view ``summary.speed_ledger``), or its row for one transfer.

    Raises
    ------
    DataError
        If the corpus has no database yet, or no such transfer.
    """
    with OpenCorpus(Path(folder)) as corpus:
        frame = corpus.view("summary.speed_ledger").sort("transfer_id")
    if transfer_id is None:
        return frame
    row = frame.filter(pl.col("transfer_id") == transfer_id)
    if row.is_empty():
        raise DataError(f"there is no transfer {transfer_id!r}", f"`glideline speed {typed(folder)}` lists all")
    return row


def speed_alternatives(folder: Path | str, transfer_id: str) -> pl.DataFrame:
    """All listed readings of one transfer, likeliest first; empty if it was not measured."""
    found = Corpus(folder).read("speed_alternative", transfer_id)
    return pl.DataFrame() if found is None else found.sort("rank")


def beside_others(folder: Path | str, transfer_id: str) -> list[str]:
    """What others say of one transfer's speed, in words (view ``summary.speed_beside_others``)."""
    # Imported only here: with it comes scipy, which the ledger can do without.
    from pipeline.answers.short_sentences import beside_words

    with OpenCorpus(Path(folder)) as corpus:
        frame = corpus.view("summary.speed_beside_others")
    rows = frame.filter(pl.col("transfer_id") == transfer_id).sort("beside", "other_id", "compared").to_dicts()
    return [beside_words(row) for row in rows]


def render(folder: Path | str, transfer_id: str) -> "CorrectedFile":
    """Write the corrected audio of one transfer into ``derived/audio/``; see ``steps.corrected``."""
    # Imported only here: with it comes the compiler, which reading the ledger can do without.
    from pipeline.answers.corrected_audio import render_corrected

    return render_corrected(Corpus(folder), transfer_id)
