"""What was measured of one take on one transfer, by one reading of its speed."""

from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.answers.note_names import Spelling, spelling_of
from pipeline.errors import DataError, typed
from pipeline.signal.hand.fingerboard import Fingerboard
from pipeline.steps.board import board_of
from pipeline.steps.hand.step import STEP, readings
from pipeline.steps.hand.taken import TakeNotes, take_notes
from pipeline.store.catalogue.problems import listed
from pipeline.store.catalogue.recording import takes_on
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only

Row = dict[str, Any]


@dataclass(frozen=True)
class MeasuredTake:
    """What was measured of a take on one transfer; ``semitones``: by how much a reading of the speed raises it."""

    corpus: Corpus
    take_id: str
    transfer_id: str
    facts: Mapping[str, Any]
    tables: Mapping[str, pl.DataFrame]
    take: TakeNotes
    board: Fingerboard
    semitones: float

    @property
    def own(self) -> Row:
        return {"transfer_id": self.transfer_id, "take_id": self.take_id}

    def written(self, table: str) -> pl.DataFrame:
        """What the step ``hand`` has written of the take."""
        frame = self.corpus.read(table, self.transfer_id)
        if frame is None:
            raise self.not_worked_out()
        return frame.filter(pl.col("take_id") == self.take_id)

    def not_worked_out(self) -> DataError:
        return DataError(
            f"{self.take_id}: its hand is not worked out yet", f"`glideline run {typed(self.corpus.root)}` does it"
        )

    def spelling(self) -> Spelling:
        return spelling_of(self.corpus, self.transfer_id, semitones=self.semitones)


def measured_take(corpus: Corpus, take_id: str, transfer_id: str | None, speed_rank: int) -> MeasuredTake:
    """The take, or the one of a transfer, by one reading of its speed.

    Raises
    ------
    DataError
        If the take is unknown or not measured yet, or has no such reading.
    """
    take_id, transfer_id = _take_of(corpus, take_id, transfer_id)
    transfer_id, tables = _tables(corpus, take_id, transfer_id)
    facts = STEP.facts(corpus.catalogue, transfer_id)
    of_take = {name: t.filter(pl.col("take_id") == take_id) for name, t in tables.items() if "take_id" in t.columns}
    take = take_notes(*(of_take[name] for name in ("note", "transition", "slide")))
    board = board_of(facts, tables["melody"], take_id)
    ranks = readings(tables["speed"].row(0, named=True), tables["speed_alternative"])
    if not 1 <= speed_rank <= len(ranks):
        raise DataError(f"{take_id}: has {len(ranks)} reading(s) of the speed, not {speed_rank}", "choose one of them")
    return MeasuredTake(corpus, take_id, transfer_id, facts, of_take, take, board, ranks[speed_rank - 1].semitones)


def _take_of(corpus: Corpus, thing_id: str, transfer_id: str | None) -> tuple[str, str | None]:
    """The take and transfer meant by the id of a take, or of a transfer."""
    transfer = corpus.catalogue.row("transfer", thing_id)
    if transfer is None or corpus.catalogue.row("take", thing_id):
        return thing_id, transfer_id
    takes = [take["take_id"] for take in takes_on(corpus.catalogue, transfer["side_id"])]
    if len(takes) != 1:
        raise DataError(
            f"{thing_id} is a transfer", f"give one of its takes: {', '.join(takes) or 'none is catalogued'}"
        )
    return takes[0], transfer_id or thing_id


def _tables(corpus: Corpus, take_id: str, transfer_id: str | None) -> tuple[str, dict[str, pl.DataFrame]]:
    if corpus.catalogue.row("take", take_id) is None:
        takes = corpus.catalogue.frame("take")["take_id"].to_list()
        raise DataError(f"there is no take {take_id!r}", f"takes are {listed(takes, most=8) or 'none yet'}")
    for each in _standing(corpus, take_id) if transfer_id is None else [transfer_id]:
        tables = {name: corpus.read(name, each) for name in STEP.reads}
        found = {name: table for name, table in tables.items() if table is not None}
        if len(found) == len(tables) and (found["note"]["take_id"] == take_id).any():
            return each, found
    raise DataError(f"{take_id}: has no notes yet", f"`glideline run {typed(corpus.root)}` measures it")


def _standing(corpus: Corpus, take_id: str) -> list[str]:
    """The transfers whose slides count for a take, in the order of its parts."""
    with closing(open_read_only(corpus.root)) as con:
        found = con.execute(
            "select transfer_id from stage.analysed_take where take_id = ? and transfer_id is not null order by part",
            [take_id],
        ).fetchall()
    return [str(each) for (each,) in found]
