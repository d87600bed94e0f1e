"""Chords in words: what is heard of them and how they may have been stopped."""

from typing import Any

import polars as pl

from pipeline.answers.chords import SPEAKS, chord_lines, heard_words, printed_words, why_words
from pipeline.store import schema
from pipeline.store.parts.pitch import name_of

NONE = {"sounds_later": "no", "later_ms": 0.0, "later_error_ms": 12.0, "start_cents": None}
CHORD: dict[str, Any] = {
    "chord_id": "t-c1000",
    "start_s": 1.0,
    "breaking": "other",
    "spread_ms": 70.4,
    "spread_error_ms": 14.0,
    "bow_rule": "broken",
    "flags": ["octave_uncertain"],
}


def notes(**middle: Any) -> list[dict[str, Any]]:
    """Three notes, of which something is known of the middle one."""
    return [{**NONE, "midi": midi, "chord_id": "t-c1000", "note_number": i} for i, midi in ((1, 57.0),)] + [
        {**NONE, "midi": 66.1, "chord_id": "t-c1000", "note_number": 2, **middle},
        {**NONE, "midi": 74.0, "chord_id": "t-c1000", "note_number": 3},
    ]


def frame(name: str, made: list[dict[str, Any]]) -> pl.DataFrame:
    columns = schema.load(name).polars_schema()
    return pl.DataFrame({c: [row.get(c) for row in made] for c in columns.names()}, schema=columns)


def test_a_late_middle_note_and_what_it_means_are_said_with_its_error() -> None:
    said = heard_words(
        CHORD, notes(sounds_later="yes", later_ms=70.4, later_error_ms=14.0, start_cents=18.0), name=name_of
    )
    assert said.startswith("the strings begin one after another, 70 ms from the first to the last (± 14); ")
    assert "the middle note (F#4) sounds 70 ms later (± 14)" in said
    assert "the middle note (F#4) begins 18 cents high" in said
    assert "no bow leaves out a middle string" in said
    assert "it may be wrong" in said


def test_an_octave_that_may_sound_unheard_is_named_by_the_note_below_it() -> None:
    doubtful = {**CHORD, "flags": ["octave_possible"]}
    found = [{**note, "octave_probability": p} for note, p in zip(notes(), (0.02, 0.41, 0.0), strict=True)]
    said = heard_words(doubtful, found, name=name_of)
    assert said.endswith("an octave or a twelfth above the middle note (F#4) may sound as well (41 %)")


def test_nothing_is_claimed_of_a_chord_that_cannot_be_told() -> None:
    untold = {**CHORD, "breaking": "cannot_tell", "spread_ms": None, "bow_rule": "cannot_tell", "flags": []}
    assert (
        heard_words(untold, notes(start_cents=-4.0), name=name_of)
        == "whether the strings begin together cannot be told"
    )


def test_a_chord_is_a_line_of_the_table_with_its_ways_likeliest_first() -> None:
    stops = {1: (0.8, (("G", 1), ("D", 2), ("A", 3))), 2: (0.1, (("G", 2), ("D", 3), ("A", 4)))}
    ways = [
        {
            "chord_id": "t-c1000",
            "speed_rank": 1,
            "rank": rank,
            "note_number": i,
            "string": string,
            "finger": finger,
            "position": rank,
            "probability": chance,
            "alone_probability": 0.4,
        }
        for rank, (chance, way) in stops.items()
        for i, (string, finger) in enumerate(way, start=1)
    ]
    tables = {
        "chord": frame("chord", [CHORD]),
        "chord_note": frame("chord_note", notes()),
        "chord_hand": frame("chord_hand", ways),
    }
    (line,) = chord_lines(tables, name=name_of)
    assert line["notes"] == "A3–F#4–D5"
    assert line["ways"] == [
        "1G 2D 3A pos. 1: 80 % (40 % alone)",
        "2G 3D 4A pos. 2: 10 % (40 % alone)",
    ]
    assert chord_lines({"chord": None, "chord_note": None, "chord_hand": None}, name=name_of) == []


def test_each_kind_of_evidence_is_told_apart_beside_the_likeliest_way_with_other_stops() -> None:
    def rows(rank: int, stops: str, **by: float) -> list[dict[str, Any]]:
        named = enumerate(stops.split(), start=1)
        own = dict.fromkeys(SPEAKS, 0.0) | by
        return [
            {"speed_rank": 1, "rank": rank, "note_number": i, "string": s[0], "finger": int(s[1]), **own}
            for i, s in named
        ]

    # The second way differs by its position alone, so the third is the rival.
    ways = [*rows(1, "G2 A0"), *rows(2, "G2 A0", by_shape=-3.0), *rows(3, "G4 A1", by_order=-3.2, by_shape=0.7)]
    assert why_words(frame("chord_hand", ways), speed_rank=1) == (
        "2G 0A rather than 4G 1A; for it: the order in which the strings sound (25 times); "
        "against it: how the hand lies (2 times)"
    )
    assert why_words(frame("chord_hand", rows(1, "G2 A0")), speed_rank=1) == ""
    assert why_words(None, speed_rank=1) == ""


def test_what_is_printed_for_a_chord_is_said_with_its_probability() -> None:
    def rows(chord_id: str | None, verdict: str, *stops: tuple[str | None, int | None], **own: Any) -> list[Any]:
        said = {"chord_id": chord_id, "verdict": verdict, "probability": None} | own
        return [said | {"printed_string": string, "printed_finger": finger} for string, finger in stops]

    made = printed_words(
        [
            *rows("t-c1", "differ", ("G", 4), (None, None), ("A", 1), probability=0.008, by_order=-3.2, by_pitch=0.1),
            *rows("t-c2", "agree", (None, 0), ("D", None), probability=0.7),
            *rows("t-c3", "not_printed", (None, None)),
            *rows(None, "not_found", ("G", 0)),
        ]
    )
    assert made == {
        "t-c1": "4G – 1A: differ, 0.8 %; against it: the order in which the strings sound (25 times)",
        "t-c2": "0 D: agree, 70 %",
    }
