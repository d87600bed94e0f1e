"""Rows of chord_hand: how the hand stopped the chords of one take, under one reading of the speed."""

from typing import Any

import numpy as np
import polars as pl

from pipeline.signal.hand.chord_hand import ChordHand, PlayedChord, chord_hands
from pipeline.signal.hand.fingerboard import OPEN, Fingerboard, Stop, position_number
from pipeline.signal.hand.played_line import LONG_NOTE_S, VIBRATO_CENTS
from pipeline.signal.hand.weights import School
from pipeline.steps.hand.rows import TakeNotes
from pipeline.units import Floats

MOST_RANKS = 5

Row = dict[str, Any]


def chord_rows(
    take: TakeNotes,
    chords: pl.DataFrame,
    notes: pl.DataFrame,
    *,
    board: Fingerboard,
    school: School,
    semitones: float,
    own: Row,
) -> list[Row]:
    """Rows of the chords of one take, from its rows of chord and chord_note; every pitch raised by ``semitones``."""
    place = {note_id: i for i, note_id in enumerate(take.notes["note_id"])}
    line = take.line(semitones=semitones)
    starts, ends = (take.notes[name].cast(pl.Float64).to_numpy() for name in ("start_s", "end_s"))
    ids = chords.sort("start_s")["chord_id"].to_list()
    parts = {key[0]: part.sort("note_number") for key, part in notes.partition_by("chord_id", as_dict=True).items()}
    played = [_played(parts[chord_id], place, starts, ends, semitones) for chord_id in ids]
    found = chord_hands(line, played, board=board, school=school)
    return [
        {"chord_id": chord_id, **own, **row}
        for chord_id, hand in zip(ids, found, strict=True)
        for row in _ways(hand, board)
    ]


def _played(notes: pl.DataFrame, place: dict[str, int], starts: Floats, ends: Floats, semitones: float) -> PlayedChord:
    midi, start_s, end_s = (notes[name].cast(pl.Float64).to_numpy() for name in ("midi", "start_s", "end_s"))
    vibrato = notes["vibrato_cents"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    long = end_s - start_s >= LONG_NOTE_S
    seen = np.where(np.isfinite(vibrato) & long, (vibrato >= VIBRATO_CENTS).astype(np.float64), np.nan)
    # Whatever the followed line has while the chord sounds is one of its notes, or goes between them.
    inside = np.flatnonzero((starts < end_s.max()) & (ends > start_s.min()) & (ends - starts > 0))
    middles = 0.5 * (starts[inside] + ends[inside])
    held = {int(i) for i, at in zip(inside, middles, strict=True) if start_s.min() <= at <= end_s.max()}
    held |= {place[i] for i in notes["note_id"] if i in place}
    return PlayedChord(midi + semitones, start_s, np.maximum(end_s, start_s), seen, tuple(sorted(held)))


def _ways(hand: ChordHand, board: Fingerboard) -> list[Row]:
    rows = []
    for rank, way in enumerate(hand.ways[:MOST_RANKS]):
        stopped = [stop.stop for stop in way if stop.finger != OPEN]
        reach = board.stretch_mm(min(stopped), max(stopped) - min(stopped)) if stopped else 0.0
        for number, stop in enumerate(way, start=1):
            rows.append(
                {
                    "rank": rank + 1,
                    "note_number": number,
                    "string": board.strings[stop.string],
                    "finger": stop.finger,
                    "position": _position(way),
                    "reach_mm": reach,
                    "probability": float(hand.probability[rank]),
                    "alone_probability": float(hand.alone[rank]),
                }
            )
    return rows


def _position(way: tuple[Stop, ...]) -> int | None:
    return position_number(way[0].place) if any(stop.finger != OPEN for stop in way) else None
