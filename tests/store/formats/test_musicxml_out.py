"""Notes found as MusicXML: read back by the reader of written parts."""

from typing import Any

import polars as pl
from defusedxml.ElementTree import fromstring

from pipeline.store.formats.musicxml_out import Chord, musicxml
from pipeline.store.parts.musicxml import read_musicxml

VIOLIN = ("G", "D", "A", "E")
LINE = [("n1", 0.0, 1.0, 67.0), ("n2", 1.0, 5.0, 71.1), ("n3", 5.0, 6.0, 74.0)]


def stop(midi: float, string: str | None, finger: int | None) -> dict[str, Any]:
    return {"midi": midi, "string": string, "finger": finger}


def document(*chords: Chord) -> bytes:
    notes = pl.DataFrame(LINE, schema=["note_id", "start_s", "end_s", "midi"], orient="row")
    slides = pl.DataFrame([{"from_note_id": "n1", "to_note_id": "n2"}, {"from_note_id": None, "to_note_id": "n3"}])
    hand = pl.DataFrame({"note_id": ["n1", "n2"], "finger": [3, 1]})
    return musicxml(title="A", player="B", instrument="violin", notes=notes, slides=slides, hand=hand, chords=chords)


def test_notes_fingers_and_slides_are_written() -> None:
    part = read_musicxml(document(), file="a", strings=VIOLIN)
    assert [(note.midi, note.onset, note.beats, note.finger) for note in part.notes] == [
        (67.0, 0.0, 1.0, 3), (71.0, 1.0, 4.0, 1), (74.0, 5.0, 1.0, None)
    ]  # fmt: skip
    assert [note.slide_marked for note in part.notes] == [True, False, False]


def test_a_chord_stands_at_the_note_of_the_line_that_sounds_longest_in_it() -> None:
    # The line has the highest of its notes, and crosses a bar line: all of them are tied over it.
    late = Chord(0.9, 4.8, "other", [stop(62.0, "G", 2), stop(69.0, "A", 0), stop(71.0, "D", 3)])
    part = read_musicxml(document(late), file="a", strings=VIOLIN)
    assert [(note.event, note.midi, note.string, note.finger, note.beats) for note in part.notes] == [
        (1, 67.0, None, 3, 1.0),
        *((2, 62.0, "G", 2, 4.0), (2, 69.0, "A", 0, 4.0), (2, 71.0, "D", 3, 4.0)),
        (3, 74.0, None, None, 1.0),
    ]


def test_a_broken_chord_has_the_sign_and_the_fullest_of_several_is_taken() -> None:
    broken = Chord(1.0, 4.0, "from_below", [stop(55.0, "G", 0), stop(64.0, "D", 1), stop(71.0, "A", 1)])
    within = Chord(4.0, 4.5, "together", [stop(64.0, "D", 1), stop(71.0, None, None)])
    elsewhere = Chord(8.0, 9.0, "together", [stop(64.0, "D", 1), stop(71.0, "A", 1)])
    root = fromstring(document(broken, within, elsewhere))
    assert [sign.get("direction") for sign in root.iter("arpeggiate")] == ["up"] * 3
    part = read_musicxml(document(broken, within, elsewhere), file="a", strings=VIOLIN)
    assert [note.midi for note in part.notes if note.event == 2] == [55.0, 64.0, 71.0]


def test_of_a_chord_without_a_way_the_line_keeps_its_finger() -> None:
    unknown = Chord(1.0, 4.0, "cannot_tell", [stop(55.0, None, None), stop(71.0, None, None)])
    part = read_musicxml(document(unknown), file="a", strings=VIOLIN)
    assert [(n.midi, n.finger) for n in part.notes if n.event == 2] == [(55.0, None), (71.0, 1)]
