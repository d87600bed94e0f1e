"""A part written as MusicXML reads back as it was, and verovio engraves every note of it."""

import re
import sys

import pytest
from defusedxml.ElementTree import fromstring

from pipeline.instruments import THUMB
from pipeline.pages.staff import staff
from pipeline.store.catalogue.written import written_rows
from pipeline.store.parts.musicxml import read_musicxml
from pipeline.store.parts.part import Way, WrittenNote, WrittenPart, numbered
from pipeline.store.parts.pitch import midi_of_name
from pipeline.store.parts.written_out import as_musicxml

VIOLIN = ("G", "D", "A", "E")
SIX_EIGHT = (  # bar, beat, beats, notes; a rest on beat 6 of bar 1, a grace note, a chord, two endings
    (1, 1.0, 3.0, ("G4",)),
    (1, 4.0, 2.0, ("Bb4",)),
    (2, 1.0, 1.0, ("D4", "B4")),
    (2, 2.0, 5.0, ("F#5",)),
    (3, 1.0, 6.0, ("A4",)),
    (4, 1.0, 6.0, ("G4",)),
)


def _part() -> WrittenPart:
    notes, marks = [], []
    for number, (bar, beat, beats, names) in enumerate(SIX_EIGHT):
        onset = 3.0 * (bar - 1) + (beat - 1.0) / 2
        if number == 3:
            grace = WrittenNote(79.0, 0, bar, str(bar), beat, 0.0, onset, "G5", grace=True)
            notes.append(grace)
            marks.append((number, "grace"))
        for name in names:
            note = WrittenNote(midi_of_name(name), 0, bar, str(bar), beat, beats, onset, name)
            marks.append((number, ""))
            notes.append(note)
    made = list(numbered(notes, marks))
    made[0] = WrittenNote(**{**made[0].__dict__, "finger": 2, "string": "D", "slide_marked": True})
    made[1] = WrittenNote(**{**made[1].__dict__, "finger": 4, "slurred_to_next": True})
    made[2] = WrittenNote(**{**made[2].__dict__, "finger": THUMB})
    return WrittenPart(tuple(made), (Way(5, 7, "ending"), Way(6, 1, "repeat")))


def test_it_reads_back_as_it_was() -> None:
    part = _part()
    rows = written_rows(part, work_id="w", edition="e")
    document = as_musicxml(rows["written_note"], rows["written_way"], strings=VIOLIN, part="Violin")
    assert read_musicxml(document, file="a.musicxml", strings=VIOLIN) == part


@pytest.mark.parametrize("engraved", [True, False])
def test_every_event_stands_on_the_staff_in_order(engraved: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if not engraved:
        monkeypatch.setitem(sys.modules, "verovio", None)
    rows = written_rows(_part(), work_id="w", edition="e")
    drawn = staff(rows["written_note"], rows["written_way"], strings=VIOLIN)
    assert list(drawn.at) == [1, 2, 3, 4, 5, 6, 7]
    places = list(drawn.at.values())
    assert places == sorted(set(places))
    assert 0 < places[0] < places[-1] < drawn.width
    assert ("engraved" in drawn.svg) == engraved


def test_a_part_without_bars_is_written_in_fours() -> None:
    notes = numbered([WrittenNote(60.0 + i) for i in range(6)], range(6))
    rows = written_rows(WrittenPart(notes), work_id="w", edition="e")["written_note"]
    again = read_musicxml(as_musicxml(rows), file="a.musicxml", strings=VIOLIN)
    assert [(n.midi, n.bar, n.beat) for n in again.notes] == [
        *((60.0, "1", 1.0), (61.0, "1", 2.0), (62.0, "1", 3.0), (63.0, "1", 4.0), (64.0, "2", 1.0), (65.0, "2", 2.0)),
    ]


def test_the_signature_is_printed_and_only_what_differs_from_it_has_a_sign() -> None:
    """Two flats, then one sharp; E natural and B flat in the first, F sharp and F natural in the second."""
    names = (("Bb4", -2), ("E4", -2), ("Eb4", -2), ("F#5", 1), ("F5", 1), ("G4", 1))
    notes = [
        WrittenNote(midi_of_name(name), 0, 1 + i // 3, str(1 + i // 3), 1.0 + i % 3, 1.0, float(i), name, signature=key)
        for i, (name, key) in enumerate(names)
    ]
    part = WrittenPart(numbered(notes, range(6)))
    rows = written_rows(part, work_id="w", edition="e")["written_note"]
    document = as_musicxml(rows)
    root = fromstring(document)
    assert [each.text for each in root.iter("fifths")] == ["-2", "1"]
    signs = [note.findtext("accidental") for note in root.iter("note")]
    assert signs == [None, "natural", "flat", None, "natural", None]
    assert read_musicxml(document, file="a.musicxml", strings=VIOLIN) == part
    # Cut off in the second bar it has no other time signature there.
    assert [each.text for each in fromstring(as_musicxml(rows[:4])).iter("beats")] == ["3"]


@pytest.mark.parametrize("engraved", [True, False])
def test_the_staff_shows_the_signature(engraved: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if not engraved:
        monkeypatch.setitem(sys.modules, "verovio", None)
    rows = written_rows(_part(), work_id="w", edition="e")["written_note"]
    drawn = {key: staff([row | {"signature": key} for row in rows], [], strings=VIOLIN) for key in (0, -3)}
    if engraved:
        signs = {key: len(re.findall(r'class="accid"[^>]*>\s*<use', made.svg)) for key, made in drawn.items()}
        assert {key: made.svg.count('class="keyAccid"') for key, made in drawn.items()} == {0: 0, -3: 3}
    else:
        signs = {key: made.svg.count('class="sign"') + min(key, 0) for key, made in drawn.items()}
    # B flat and F sharp have a sign without a signature; under three flats B natural, F sharp and A natural.
    assert signs == {0: 2, -3: 3}
