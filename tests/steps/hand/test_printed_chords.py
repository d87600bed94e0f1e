"""Printed chords beside ways to stop the chords found, with probabilities set by hand."""

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.signal.hand.chord_hand import EVIDENCE, ChordHand, PlayedChord
from pipeline.signal.hand.fingerboard import chord_ways, fingerboard
from pipeline.steps.hand.chords import TakeChord, against, named_ways
from pipeline.steps.hand.printed_chords import chord_match_rows
from pipeline.steps.hand.rows import TakeNotes
from pipeline.store import schema

BOARD = fingerboard("violin")
# D4-A4-B4: with the open A string in third position, or with the fourth finger over two strings in first (from memory).
OPEN_A, LAID_OVER = (("G", 2), ("A", 0), ("D", 3)), (("G", 4), ("D", 4), ("A", 1))
MIDI = (62, 69, 71)
Stops = tuple[tuple[str, int], ...]


def chord(shares: dict[Stops, float], *, midi: tuple[int, ...] = MIDI, above: float = 0.0) -> TakeChord:
    """A chord that holds the line's second note, with its ways by their stops; of several places the first."""
    made = {}
    for way in chord_ways(BOARD, midi):
        made.setdefault(tuple((BOARD.strings[stop.string], stop.finger) for stop in way), way)
    ways = tuple(made[stops] for stops in shares)
    played = PlayedChord(
        np.array(midi) + above, np.full(len(midi), 1.0), np.full(len(midi), 2.0), np.full(len(midi), np.nan), (1,)
    )
    return TakeChord(
        "t-c1000",
        played,
        ChordHand(
            ways, np.array([*shares.values()]), np.array([*shares.values()]), np.zeros((len(ways), len(EVIDENCE)))
        ),
    )


def told(chords: list[TakeChord], *stops: Stops, above: float = 0.0, **mark: Any) -> pl.DataFrame:
    """What is said of a chord that an edition prints as event 2, once for each way to print it."""
    note = {"event": 2, "position": None, "slide_marked": False} | mark
    printed = [
        note | {"note_number": 2 + i, "midi": float(midi), "string": string, "finger": finger}
        for i, (midi, (string, finger)) in enumerate(zip(MIDI, stops[0], strict=True))
    ]
    notes = pl.DataFrame({"note_id": ["t-n1", "t-n2", "t-n3"]})
    match = [{"note_id": f"t-n{i}", "event": i, "run": 1, "time_through": 1} for i in (1, 2, 3)]
    own = {"transfer_id": "t", "take_id": "k", "edition": "made up"}
    nothing = pl.DataFrame()
    take = TakeNotes(notes, nothing, nothing, np.full(3, -1))
    rows = chord_match_rows(printed, match, take=take, chords=chords, board=BOARD, above=above, own=own)
    columns = schema.load("chord_fingering_match").polars_schema()
    frame = pl.DataFrame({c: [row.get(c) for row in rows] for c in columns.names()}, schema=columns)
    assert schema.load("chord_fingering_match").violations(frame) == []
    assert frame["verdict"].n_unique() == 1
    return frame


@pytest.mark.parametrize(
    ("shares", "verdict", "probability"),
    [
        ({OPEN_A: 0.7, LAID_OVER: 0.2}, "agree", 0.7),
        ({LAID_OVER: 0.8, OPEN_A: 0.1}, "differ", 0.1),
        ({LAID_OVER: 0.55, OPEN_A: 0.4}, "cannot_tell", 0.4),
    ],
)
def test_a_printed_chord_is_compared_whole(shares: dict[Stops, float], verdict: str, probability: float) -> None:
    rows = told([chord(shares)], OPEN_A)
    assert rows["verdict"].to_list() == [verdict] * 3
    assert rows["probability"].to_list() == pytest.approx([probability] * 3)
    likeliest = next(iter(shares))
    assert list(zip(rows["string"], rows["finger"], strict=True)) == list(likeliest)
    assert rows["chord_note_number"].to_list() == [1, 2, 3]


def test_strings_may_be_clear_where_fingers_are_not() -> None:
    other = (("G", 3), ("A", 0), ("D", 4))
    rows = told([chord({OPEN_A: 0.45, other: 0.45, LAID_OVER: 0.05})], LAID_OVER)
    assert rows["verdict"].to_list() == ["differ"] * 3
    assert told([chord({OPEN_A: 0.45, other: 0.45})], OPEN_A)["verdict"].to_list() == ["cannot_tell"] * 3


def test_a_note_that_is_not_heard_leaves_the_rest_to_be_compared() -> None:
    two = chord({(("G", 2), ("D", 3)): 0.9}, midi=(62, 71))
    rows = told([two], OPEN_A)
    assert rows["verdict"].to_list() == ["agree"] * 3
    assert rows["chord_note_number"].to_list() == [1, None, 2]
    assert rows["finger"].to_list() == [2, None, 3]
    whole = chord({LAID_OVER: 1.0})
    assert told([two, whole], OPEN_A)["verdict"][0] == "differ"  # the chord with more of its notes is taken


def test_what_is_not_there_is_said() -> None:
    assert told([], OPEN_A)["verdict"].to_list() == ["not_found"] * 3
    other = chord({(("G", 0), ("D", 1)): 1.0}, midi=(55, 64))
    assert told([other], OPEN_A)["verdict"].to_list() == ["not_found"] * 3
    bare = told([chord({OPEN_A: 1.0})], ((None, None),) * 3)  # type: ignore[arg-type]
    assert bare["verdict"].to_list() == ["not_printed"] * 3
    assert bare["probability"].null_count() == 3


def test_of_a_transposed_take_no_position_is_compared() -> None:
    rows = told([chord({OPEN_A: 1.0}, above=2.0)], OPEN_A, above=2.0, position=7)
    assert rows["verdict"].to_list() == ["agree"] * 3
    assert told([chord({OPEN_A: 1.0})], OPEN_A, position=7)["verdict"].to_list() == ["differ"] * 3


def test_ways_that_only_a_hand_a_semitone_off_tells_apart_are_one() -> None:
    way = tuple(next(w for w in chord_ways(BOARD, (62, 69)) if all(stop.finger == 0 for stop in w)))
    ways = (way, tuple(replace(stop, place=stop.place + 1) for stop in way))
    (named,) = named_ways(ChordHand(ways, np.array([0.6, 0.2]), np.array([0.5, 0.3]), np.zeros((2, len(EVIDENCE)))))
    assert (named.probability, named.alone, named.position) == (pytest.approx(0.8), pytest.approx(0.8), None)


def test_what_speaks_against_a_way_is_told_by_kind_and_the_passage_apart() -> None:
    ways = tuple(chord_ways(BOARD, (57, 66, 74))[:2])
    evidence = np.array([[-1.0, -2.0, 0.0, 0.0], [-0.5, -2.5, 0.0, -3.2]])
    likeliest, other = named_ways(ChordHand(ways, np.array([0.6, 0.4]), np.array([0.96, 0.04]), evidence))
    odds = against(other, likeliest)
    assert odds == pytest.approx(
        {"by_shape": 0.5, "by_pitch": -0.5, "by_vibrato": 0.0, "by_order": -3.2, "by_passage": np.log(0.1 / 1.6)}
    )
    assert not any(against(likeliest, likeliest).values())
