"""How the hand stopped the chords of one take, under one reading of the speed; rows of chord_hand."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from pipeline.signal.hand.chord_hand import EVIDENCE, ChordHand, PlayedChord, chord_hands
from pipeline.signal.hand.fingerboard import OPEN, Fingerboard, Stop, position_number
from pipeline.signal.hand.played_line import LONG_NOTE_S, VIBRATO_CENTS
from pipeline.signal.hand.weights import School
from pipeline.steps.hand.taken import TakeNotes
from pipeline.units import Floats

MOST_RANKS = 5
LEAST = 1e-12  # probability below which odds are no larger

Row = dict[str, Any]


@dataclass(frozen=True)
class TakeChord:
    """A chord of a take, as it was played and how the hand may have stopped it."""

    chord_id: str
    played: PlayedChord
    hand: ChordHand


def chords_of_take(
    take: TakeNotes,
    chords: pl.DataFrame,
    notes: pl.DataFrame,
    *,
    board: Fingerboard,
    school: School,
    semitones: float,
) -> list[TakeChord]:
    """Chords of one take, from its rows of chord and chord_note; every pitch raised by ``semitones``."""
    place = {note_id: i for i, note_id in enumerate(take.notes["note_id"])}
    line = take.line(semitones=semitones)
    starts, ends = (take.notes[name].cast(pl.Float64).to_numpy() for name in ("start_s", "end_s"))
    ids = chords.sort("start_s")["chord_id"].to_list()
    measured = pl.col("midi", "start_s", "end_s", "vibrato_cents").cast(pl.Float64).fill_null(float("nan"))
    parts = notes.sort("note_number").with_columns(measured).partition_by("chord_id", as_dict=True)
    played = [_played(parts[chord_id,], place, starts, ends, semitones) for chord_id in ids]
    hands = chord_hands(line, played, board=board, school=school)
    return [TakeChord(*each) for each in zip(ids, played, hands, strict=True)]


def chord_rows(chords: Sequence[TakeChord], *, board: Fingerboard, own: Row) -> list[Row]:
    """Rows of chord_hand."""
    return [{"chord_id": chord.chord_id, **own, **row} for chord in chords for row in _ways(chord.hand, board)]


def _played(notes: pl.DataFrame, place: dict[str, int], starts: Floats, ends: Floats, semitones: float) -> PlayedChord:
    midi, start_s, end_s, vibrato = (notes[name].to_numpy() for name in ("midi", "start_s", "end_s", "vibrato_cents"))
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
    named = named_ways(hand)[:MOST_RANKS]
    for rank, way in enumerate(named, start=1):
        stopped = [stop.stop for stop in way.stops if stop.finger != OPEN]
        reach = board.stretch_mm(min(stopped), max(stopped) - min(stopped)) if stopped else 0.0
        for number, stop in enumerate(way.stops, start=1):
            rows.append(
                {
                    "rank": rank,
                    "note_number": number,
                    "string": board.strings[stop.string],
                    "finger": stop.finger,
                    "strained": stop.strained,
                    "position": way.position,
                    "reach_mm": reach,
                    "probability": way.probability,
                    "alone_probability": way.alone,
                    **against(way, named[0]),
                }
            )
    return rows


def against(way: "Way", likeliest: "Way") -> Row:
    """Log odds of a way against the likeliest one, by each kind of evidence and by the passage."""
    odds = {f"by_{kind}": float(x) for kind, x in zip(EVIDENCE, way.evidence - likeliest.evidence, strict=True)}
    passage, best = (np.log(max(one.probability, LEAST) / max(one.alone, LEAST)) for one in (way, likeliest))
    return {**odds, "by_passage": float(passage - best)}


class Way(NamedTuple):
    """A way to stop a chord as players name it: by strings, fingers and position.

    ``evidence`` (EVIDENCE,) is that of the likeliest of the ways that go by one name.
    """

    stops: tuple[Stop, ...]
    position: int | None
    probability: float
    alone: float
    evidence: Floats


def named_ways(hand: ChordHand) -> list[Way]:
    """Ways, likeliest first; those that only a hand a semitone off would tell apart are one."""
    found: dict[tuple[Any, ...], Way] = {}
    for stops, probability, alone, evidence in zip(hand.ways, hand.probability, hand.alone, hand.evidence, strict=True):
        position = _position(stops)
        name = (position, *((stop.string, stop.finger) for stop in stops))
        before = found.get(name, Way(stops, position, 0.0, 0.0, evidence))
        found[name] = before._replace(
            probability=before.probability + float(probability), alone=before.alone + float(alone)
        )
    return sorted(found.values(), key=lambda way: -way.probability)


def _position(way: tuple[Stop, ...]) -> int | None:
    return position_number(way[0].place) if any(stop.finger != OPEN for stop in way) else None
