"""What stands over the picture of a side besides what was found: bars, printed fingers, and whose solo it is when."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from pipeline.answers.chords import printed_stop, printed_words
from pipeline.answers.number_words import doubt_words
from pipeline.store.catalogue.recording import takes_on
from pipeline.store.catalogue.written import reference
from pipeline.store.corpus import Corpus

Row = Mapping[str, Any]
SHORTEST_BAND_S = 0.25
"""Shorter stretches are only counted up beside the picture: strings that ring on, many a minute."""


@dataclass(frozen=True)
class Band:
    """A stretch in corrected s: whose solo it is, or why it is not counted."""

    start_s: float
    end_s: float
    words: str
    counted: bool


@dataclass(frozen=True)
class Over:
    """What is written over a picture.

    Attributes
    ----------
    bars : where the first note found of each written bar begins, in corrected s, and the bar.
    printed : what an edition prints for a note found, by the note's id.
    editions : the editions that ``printed`` is from.
    chords : what an edition prints for a chord found, and whether the hand agrees, by the chord's id.
    bands : stretches to be named; none where the whole side is one player's and counted.
    """

    bars: Sequence[tuple[float, str]] = ()
    printed: Mapping[str, str] = field(default_factory=dict)
    editions: tuple[str, ...] = ()
    chords: Mapping[str, str] = field(default_factory=dict)
    bands: Sequence[Band] = ()

    def player_at(self, time_s: float) -> str:
        """Who plays at a corrected time, where the side has several players."""
        return next((b.words for b in self.bands if b.counted and b.start_s <= time_s < b.end_s), "")

    def left_out_at(self, time_s: float) -> str:
        """Why what lies at a corrected time is not counted; empty where it is."""
        return next((b.words for b in self.bands if not b.counted and b.start_s <= time_s < b.end_s), "")


def over(
    corpus: Corpus, transfer: Row, *, notes: Sequence[Row], places: Mapping[str, Row], spans: pl.DataFrame | None
) -> Over:
    """What is to be written over the picture of a transfer; ``places``: the written place of each note."""
    printed, editions = _printed(corpus, transfer)
    rows = _of_one_edition(corpus, transfer, "chord_fingering_match", pl.col("chord_id").is_not_null())
    return Over(_bars(notes, places), printed, editions, printed_words(rows), _bands(corpus, transfer, spans))


def _bars(notes: Sequence[Row], places: Mapping[str, Row]) -> list[tuple[float, str]]:
    made: list[tuple[float, str]] = []
    for note in notes:
        place = places.get(note["note_id"])
        if place is not None and place["bar"] is not None and (not made or made[-1][1] != str(place["bar"])):
            made.append((note["start_s"], str(place["bar"])))
    return made


def _printed(corpus: Corpus, transfer: Row) -> tuple[dict[str, str], tuple[str, ...]]:
    """Printed fingers by note, and the editions that they are from."""
    fingered = pl.col("note_id").is_not_null() & pl.col("printed_finger").is_not_null()
    rows = _of_one_edition(corpus, transfer, "fingering_match", fingered)
    made = {row["note_id"]: printed_stop(row) for row in rows}
    return made, tuple(dict.fromkeys(row["edition"] for row in rows))


def _of_one_edition(corpus: Corpus, transfer: Row, table: str, told: pl.Expr) -> list[Row]:
    """Rows with something to tell, take by take: of the reference of its work, else of the first edition with any."""
    rows = corpus.read(table, transfer["transfer_id"])
    if rows is None or rows.is_empty():
        return []
    made: list[Row] = []
    for take in takes_on(corpus.catalogue, transfer["side_id"]):
        own = rows.filter(told & (pl.col("take_id") == take["take_id"]))
        names = sorted(own["edition"].unique().to_list())
        first = reference(corpus.catalogue.rows("written_part", work_id=take["work_id"])) if take["work_id"] else None
        edition = first if first in names else next(iter(names), None)
        made += own.filter(edition=edition).to_dicts() if edition is not None else []
    return made


def _bands(corpus: Corpus, transfer: Row, spans: pl.DataFrame | None) -> list[Band]:
    rows = [] if spans is None else spans.sort("start_s").to_dicts()
    names = {row["player_id"]: _name(corpus, row) for row in rows if row["counted"]}
    several = len(names) > 1
    made = []
    for row in rows:
        if not row["counted"]:
            if row["end_s"] - row["start_s"] < SHORTEST_BAND_S:
                continue
            made.append(Band(row["start_s"], row["end_s"], f"not counted: {row['reason']}", counted=False))
        elif several:
            made.append(Band(row["start_s"], row["end_s"], names[row["player_id"]], counted=True))
    return made


def _name(corpus: Corpus, span: Row) -> str:
    player = corpus.catalogue.row("player", span["player_id"]) if span["player_id"] else None
    if player is None:
        return "no single player named"
    played = corpus.catalogue.rows("performance", take_id=span["take_id"]) if span["take_id"] else []
    certainty = next((row["certainty"] for row in played if row["player_id"] == span["player_id"]), None)
    return f"{player['name']}{doubt_words(certainty)}"
