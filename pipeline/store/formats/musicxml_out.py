"""Notes found, with slide marks and likely fingerings, as a MusicXML 4.0 score-partwise document.

The notation is proportional: one quarter note is one second of corrected time (tempo 60), in bars of four
seconds, and times are rounded to a sixteenth of a second. It shows what was found and claims no metre. A slide
is a ``<slide>`` from its first note to its second (W3C, MusicXML reference: a continuous slide, solid line);
a slide into a note without a note before it is said in words. A chord stands at the note of the followed line that
sounds longest in it, with strings and fingers of the likeliest way; a broken one has an ``<arpeggiate>``.
"""

import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.instruments import INSTRUMENTS
from pipeline.store.parts.written_out import finger_mark

DIVISIONS = 16
BAR = 4 * DIVISIONS
# Spelling of the twelve pitch classes: step and alteration.
_STEPS = (
    *(("C", 0), ("C", 1), ("D", 0), ("E", -1), ("E", 0), ("F", 0)),
    *(("F", 1), ("G", 0), ("A", -1), ("A", 0), ("B", -1), ("B", 0)),
)
# Lengths that one note head can show: divisions, type, dots.
_SHAPES = (
    *((64, "whole", 0), (48, "half", 1), (32, "half", 0), (24, "quarter", 1), (16, "quarter", 0)),
    *((12, "eighth", 1), (8, "eighth", 0), (6, "16th", 1), (4, "16th", 0), (3, "32nd", 1)),
    *((2, "32nd", 0), (1, "64th", 0)),
)


_ARPEGGIOS = {"from_below": "up", "from_above": "down"}
SAME_SEMITONES = 0.5
"""How far a chord's note may be off the line's to be that note (common practice, no source)."""

Row = dict[str, Any]


@dataclass
class _Head:
    """One written note head or rest: part of a note inside one bar."""

    start: int
    length: int
    kind: str
    dots: int
    note: Row | None
    first: bool = False
    last: bool = False


@dataclass(frozen=True)
class Chord:
    """A chord in corrected time: ``breaking`` as in the table; ``notes`` have midi, and string and finger or None."""

    start_s: float
    end_s: float
    breaking: str
    notes: Sequence[Mapping[str, Any]]


def musicxml(
    *,
    title: str,
    player: str,
    instrument: str,
    notes: pl.DataFrame,
    slides: pl.DataFrame,
    hand: pl.DataFrame,
    chords: Sequence[Chord] = (),
) -> bytes:
    """The document, UTF-8.

    Parameters
    ----------
    notes, slides : rows of ``note`` and ``slide`` of one take.
    hand : rows of ``note_hand`` of rank 1; may be empty.
    """
    score = ET.Element("score-partwise", version="4.0")
    ET.SubElement(ET.SubElement(score, "work"), "work-title").text = title
    identification = ET.SubElement(score, "identification")
    ET.SubElement(identification, "creator", type="performer").text = player
    encoding = ET.SubElement(identification, "encoding")
    ET.SubElement(encoding, "software").text = "glideline"
    ET.SubElement(
        encoding, "encoding-description"
    ).text = "Proportional notation of measured notes: one quarter note is one second. It claims no metre."
    part_list = ET.SubElement(ET.SubElement(score, "part-list"), "score-part", id="P1")
    ET.SubElement(part_list, "part-name").text = instrument
    part = ET.SubElement(score, "part", id="P1")

    found = _Found(
        fingers={row["note_id"]: row["finger"] for row in hand.iter_rows(named=True)},
        leaving={row["from_note_id"] for row in slides.iter_rows(named=True) if row["from_note_id"]},
        arriving={row["to_note_id"]: row for row in slides.iter_rows(named=True)},
        chords=_struck(notes.to_dicts(), chords),
        strings=INSTRUMENTS[instrument].strings if instrument in INSTRUMENTS else (),
    )
    heads = _heads(notes)
    bars = max((head.start + head.length for head in heads), default=BAR)
    for number in range(max(1, -(-bars // BAR))):
        measure = ET.SubElement(part, "measure", number=str(number + 1))
        if number == 0:
            _attributes(measure, instrument)
        for head in heads:
            if head.start // BAR == number:
                _write(measure, head, found)
    for note in part.iter("note"):
        if (notations := note.find("notations")) is not None and not len(notations):
            note.remove(notations)
    ET.indent(score)
    header = (
        '<?xml version="1.0" encoding="UTF-8"?>\n<!DOCTYPE score-partwise PUBLIC '
        '"-//Recordare//DTD MusicXML 4.0 Partwise//EN" "http://www.musicxml.org/dtds/partwise.dtd">\n'
    )
    return f"{header}{ET.tostring(score, encoding='unicode')}\n".encode()


def _heads(notes: pl.DataFrame) -> list[_Head]:
    """Notes and rests on the grid, cut at bar lines and into lengths that one head can show."""
    heads: list[_Head] = []
    now = 0
    rows = notes.sort("start_s").to_dicts()
    starts = [max(0, round(row["start_s"] * DIVISIONS)) for row in rows]
    for n, row in enumerate(rows):
        start = max(starts[n], now)
        end = max(round(row["end_s"] * DIVISIONS), start + 1)
        if n + 1 < len(rows):
            end = max(start + 1, min(end, starts[n + 1]))
        heads += _cut(now, start, None)
        made = _cut(start, end, row)
        made[0].first = made[-1].last = True
        heads += made
        now = end
    heads += _cut(now, -(-max(now, 1) // BAR) * BAR, None)
    return heads


def _cut(start: int, end: int, note: Row | None) -> list[_Head]:
    made = []
    while start < end:
        room = min(end, (start // BAR + 1) * BAR) - start
        length, kind, dots = next(shape for shape in _SHAPES if shape[0] <= room)
        made.append(_Head(start, length, kind, dots, note))
        start += length
    return made


def _attributes(measure: ET.Element, instrument: str) -> None:
    attributes = ET.SubElement(measure, "attributes")
    ET.SubElement(attributes, "divisions").text = str(DIVISIONS)
    ET.SubElement(ET.SubElement(attributes, "key"), "fifths").text = "0"
    time = ET.SubElement(attributes, "time")
    ET.SubElement(time, "beats").text = "4"
    ET.SubElement(time, "beat-type").text = "4"
    clef = ET.SubElement(attributes, "clef")
    sign, line = {"cello": ("F", "4"), "viola": ("C", "3")}.get(instrument, ("G", "2"))
    ET.SubElement(clef, "sign").text = sign
    ET.SubElement(clef, "line").text = line
    direction = ET.SubElement(measure, "direction", placement="above")
    metronome = ET.SubElement(ET.SubElement(direction, "direction-type"), "metronome")
    ET.SubElement(metronome, "beat-unit").text = "quarter"
    ET.SubElement(metronome, "per-minute").text = "60"
    ET.SubElement(direction, "sound", tempo="60")


@dataclass(frozen=True)
class _Found:
    """What is written at notes, by their ids: fingers, slides out of them and into them, and the chords they are of."""

    fingers: Mapping[str, int | None]
    leaving: set[str]
    arriving: Mapping[str, Row]
    chords: Mapping[str, Chord]
    strings: tuple[str, ...]


def _struck(notes: Sequence[Row], chords: Sequence[Chord]) -> dict[str, Chord]:
    """Each chord by the note of the line that sounds longest in it; of several at one note the fullest."""
    made: dict[str, Chord] = {}
    for chord in sorted(chords, key=lambda each: len(each.notes)):
        shared = [min(row["end_s"], chord.end_s) - max(row["start_s"], chord.start_s) for row in notes]
        if shared and max(shared) > 0:
            made[notes[shared.index(max(shared))]["note_id"]] = chord
    return made


def _write(measure: ET.Element, head: _Head, found: _Found) -> None:
    if head.note is None:
        _note(measure, head, None)
        return
    note_id = head.note["note_id"]
    slide_in = found.arriving.get(note_id) if head.first else None
    if slide_in is not None and slide_in["from_note_id"] is None:
        direction = ET.SubElement(measure, "direction", placement="above")
        ET.SubElement(ET.SubElement(direction, "direction-type"), "words").text = "slide into the note"
    chord = found.chords.get(note_id)
    sounding = _sounding(head.note, found.fingers.get(note_id), chord)
    for place, note in enumerate(sounding):
        notations = _note(measure, head, note["midi"], chord=place > 0)
        if place == 0 and slide_in is not None and slide_in["from_note_id"] is not None:
            ET.SubElement(notations, "slide", {"type": "stop", "number": "1", "line-type": "solid"})
        if place == 0 and head.last and note_id in found.leaving:
            ET.SubElement(notations, "slide", {"type": "start", "number": "1", "line-type": "solid"})
        if head.first:
            _marked(notations, note, found.strings)
            if chord is not None and chord.breaking in _ARPEGGIOS:
                ET.SubElement(notations, "arpeggiate", direction=_ARPEGGIOS[chord.breaking])


def _sounding(note: Row, finger: int | None, chord: Chord | None) -> list[Mapping[str, Any]]:
    """The line's note, with what the chord says of it, and the chord's other notes."""
    own: Mapping[str, Any] = {"midi": float(note["midi"]), "string": None, "finger": finger}
    if chord is None:
        return [own]
    same = [other for other in chord.notes if abs(other["midi"] - own["midi"]) < SAME_SEMITONES]
    own = next((other for other in same if other["finger"] is not None), own)
    return [own, *(other for other in chord.notes if other not in same)]


def _note(measure: ET.Element, head: _Head, midi: float | None, *, chord: bool = False) -> ET.Element:
    """One note head, or a rest; gives its notations."""
    element = ET.SubElement(measure, "note")
    if chord:
        ET.SubElement(element, "chord")
    if midi is None:
        ET.SubElement(element, "rest")
    else:
        step, alter = _STEPS[round(midi) % 12]
        pitch = ET.SubElement(element, "pitch")
        ET.SubElement(pitch, "step").text = step
        if alter:
            ET.SubElement(pitch, "alter").text = str(alter)
        ET.SubElement(pitch, "octave").text = str(round(midi) // 12 - 1)
    ET.SubElement(element, "duration").text = str(head.length)
    ties = [kind for kind, wanted in (("stop", not head.first), ("start", not head.last)) if wanted and head.note]
    for kind in ties:
        ET.SubElement(element, "tie", type=kind)
    ET.SubElement(element, "voice").text = "1"
    ET.SubElement(element, "type").text = head.kind
    for _ in range(head.dots):
        ET.SubElement(element, "dot")
    notations = ET.SubElement(element, "notations")
    for kind in ties:
        ET.SubElement(notations, "tied", type=kind)
    return notations


def _marked(notations: ET.Element, note: Mapping[str, Any], strings: tuple[str, ...]) -> None:
    """Finger and string (1 is the highest) of a note, as far as they are known."""
    if note["finger"] is None:
        return
    technical = ET.SubElement(notations, "technical")
    finger_mark(technical, note["finger"])
    if note["string"] in strings:
        ET.SubElement(technical, "string").text = str(len(strings) - strings.index(note["string"]))
