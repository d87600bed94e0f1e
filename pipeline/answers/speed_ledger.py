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


def render(folder: Path | str, transfer_id: str) -> "CorrectedFile":
    """Write the corrected audio of one transfer into ``derived/audio/``; see ``steps.corrected``."""
    # Imported only here: with it comes the compiler, which reading the ledger can do without.
    from pipeline.answers.corrected_audio import render_corrected

    return render_corrected(Corpus(folder), transfer_id)
