"""The chords of a passage beside what editions print for them: how each take stopped them."""

from collections.abc import Iterable
from itertools import groupby
from typing import Any

from pipeline.answers.chords import printed_words
from pipeline.answers.stop_words import stop_words

Row = dict[str, Any]

HEADS = ("take", "bar", "edition", "stopped", "printed: as stopped, probability")

ROWS = """select match.*, note.work_id, note.bar, note.bar_index, note.beat
from base.chord_fingering_match as match
join base.take as take using (take_id)
join stage.analysed_take as standing using (take_id, transfer_id)
join base.written_note as note
    on note.work_id = take.work_id and note.edition = match.edition and note.note_number = match.note_number"""
"""Notes of printed chords, of the transfers that stand for takes."""


def of_bars(rows: Iterable[Row], *, bars: set[int | None], takes: set[str], edition: str | None) -> list[Row]:
    """Those of ``ROWS`` whose chord was found in these bars, by these takes; of one edition if it is named."""
    return [
        row
        for row in rows
        if row["bar_index"] in bars
        and row["take_id"] in takes
        and row["chord_id"] is not None
        and edition in (None, row["edition"])
    ]


def lines(rows: Iterable[Row]) -> list[tuple[str, ...]]:
    """A line for each chord, take and edition that prints something for it."""
    ordered = sorted(
        rows, key=lambda row: (row["bar_index"], row["event"], row["take_id"], row["time_through"], row["edition"])
    )
    made: list[tuple[str, ...]] = []
    for _, group in groupby(
        ordered, key=lambda row: (row["event"], row["take_id"], row["time_through"], row["edition"])
    ):
        notes = sorted(group, key=lambda row: row["note_number"])
        said = printed_words(notes).get(notes[0]["chord_id"])
        if said is None:
            continue
        stopped = " ".join(stop_words(note["string"], note["finger"]) or "–" for note in notes)
        place = f"{notes[0]['bar']}" if notes[0]["beat"] is None else f"{notes[0]['bar']}:{notes[0]['beat']:.3g}"
        made.append((notes[0]["take_id"], place, notes[0]["edition"], stopped, said))
    return made
