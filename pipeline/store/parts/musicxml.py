"""A written part from MusicXML (W3C, version 4.0), as on paper: nothing is unfolded.

Read are pitch, duration, chord, grace, tie, slur, slide and glissando, repeats and their like (``repeats``), and under
``<technical>`` fingering, string (1 is the highest), open-string and thumb-position. Tied notes are one
note; notes of all voices that begin together are one event; cues are left out. Pitches stand as they sound, under an
octave sign too. Entities and external references are refused.
"""

from dataclasses import dataclass, field, replace
from typing import Any
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

from pipeline.errors import DataError
from pipeline.instruments import THUMB
from pipeline.store.catalogue.problems import did_you_mean
from pipeline.store.parts.part import MOST_NOTES, THE_END, Way, WrittenNote, WrittenPart, numbered
from pipeline.store.parts.pitch import ALTER_NAMES, MOST_FIFTHS, STEPS
from pipeline.store.parts.repeats import BarWay, bar_ways, musicxml_signs


def read_musicxml(document: bytes, *, file: str, strings: tuple[str, ...], part: str | None = None) -> WrittenPart:
    """The part of that name or number; else the first with fingerings, else the first with notes.

    Raises
    ------
    DataError
        If it is not MusicXML, or holds no pitched note, or no such part.
    """
    try:
        root = fromstring(document)
    except DefusedXmlException as error:
        raise DataError(
            f"{file}: declares entities, which are not read", "export the part as MusicXML again"
        ) from error
    except (ParseError, ValueError, LookupError) as error:
        raise DataError(f"{file}: is not readable as XML ({error})", "export the part as MusicXML again") from error
    names = [(e.findtext("part-name") or "").strip() for e in root.iterfind("part-list/score-part")]
    if root.tag == "score-partwise":
        parts = [list(each.findall("measure")) for each in root.findall("part")]
    elif root.tag == "score-timewise":
        bars = root.findall("measure")
        ids = [each.get("id") for each in bars[0].findall("part")] if bars else []
        parts = [
            [_renumbered(bar, each) for bar in bars for each in bar.findall("part") if each.get("id") == i] for i in ids
        ]
    else:
        raise DataError(f"{file}: its root is <{root.tag}>, not a MusicXML score", "export the part as MusicXML")
    if part is not None:
        parts = [parts[chosen(part, names, len(parts), file=file)]]
    read = [_Reader(strings, file).read(bars) for bars in parts]
    read = [each for each in read if each.notes]
    if not read:
        raise DataError(f"{file}: holds no pitched notes", "export the solo part")
    fingered = [each for each in read if any(n.finger is not None or n.string is not None for n in each.notes)]
    return (fingered or read)[0]


def chosen(part: str, names: list[str], count: int, *, file: str) -> int:
    """Index of the part of that name (any case) or number from 1.

    Raises
    ------
    DataError
        If there is none.
    """
    known = [name.casefold() for name in names]
    if part.casefold() in known:
        return known.index(part.casefold())
    if part.isdecimal() and 1 <= int(part) <= count:
        return int(part) - 1
    listed = ", ".join(f"{number} {name}".rstrip() for number, name in enumerate(names, start=1))
    cure = did_you_mean(part, names, otherwise=f"its parts are {listed or count}")
    raise DataError(f"{file}: has no part {part!r}", f"{cure}")


def _renumbered(bar: Element, part: Element) -> Element:
    for name in ("number", "implicit"):
        if (value := bar.get(name)) is not None:
            part.set(name, value)
    return part


@dataclass
class _Voice:
    """What goes on in one voice: slurs that are open, and the notes of its last chord."""

    slurs: set[str] = field(default_factory=set)
    chord: list[int] = field(default_factory=list)
    onset: float = 0.0
    key: tuple[float, int, int] = (0.0, 1, 0)


class _Reader:
    """Reads one part, bar after bar; the clock counts quarter notes."""

    def __init__(self, strings: tuple[str, ...], file: str) -> None:
        self.strings = strings
        self.file = file
        self.divisions = 1.0
        self.beats, self.beat_type = 4.0, 4.0
        self.transpose = 0.0
        self.signature: int | None = None
        self.notes: list[WrittenNote] = []
        self.keys: list[tuple[float, int, int]] = []
        self.tied: dict[tuple[str, float], int] = {}
        self.voices: dict[str, _Voice] = {}
        self.graces = 0

    def read(self, bars: list[Element]) -> WrittenPart:
        begins = 0.0
        for index, bar in enumerate(bars):
            first = len(self.notes)
            length = self._bar(bar, index, begins)
            full = 4.0 * self.beats / self.beat_type
            upbeat = index == 0 and length < full and (bar.get("implicit") == "yes" or bar.get("number") == "0")
            if upbeat:  # its beats are counted back from the first bar line
                late = (full - length) * self.beat_type / 4.0
                self.notes[first:] = [replace(n, beat=(n.beat or 1.0) + late) for n in self.notes[first:]]
            begins += length or full
            if len(self.notes) > MOST_NOTES:
                raise DataError(f"{self.file}: holds more than {MOST_NOTES} notes in a part", "export the solo part")
        order = sorted(range(len(self.notes)), key=lambda i: (self.notes[i].bar_index, self.keys[i]))
        marks = [(self.notes[i].bar_index, self.keys[i]) for i in order]
        notes = numbered([self.notes[i] for i in order], marks)
        return WrittenPart(notes, event_ways(bar_ways(musicxml_signs(bars), file=self.file), notes))

    def _bar(self, bar: Element, index: int, begins: float) -> float:
        """Takes in one bar; gives its length."""
        at = furthest = 0.0
        for item in bar:
            if item.tag == "attributes":
                self._attributes(item, index)
            elif item.tag == "backup":
                at = max(at - self._quarters(item, index), 0.0)
            elif item.tag == "forward":
                at += self._quarters(item, index)
            elif item.tag == "note":
                at += self._note(item, index, bar.get("number") or str(index + 1), at, begins)
            furthest = max(furthest, at)
        return furthest

    def _attributes(self, item: Element, index: int) -> None:
        self.divisions = self._number(item, "divisions", index, self.divisions) or 1.0
        if item.find("time/beat-type") is not None:
            self.beat_type = self._number(item, "time/beat-type", index, 4.0) or 4.0
            counts = (item.findtext("time/beats") or "").split("+")
            self.beats = float(sum(int(c) for c in counts if c.strip().isdecimal())) or self.beat_type
        if item.find("key/fifths") is not None:
            fifths = self._number(item, "key/fifths", index)
            self.signature = round(fifths) if abs(fifths) <= MOST_FIFTHS else None
        if (shift := item.find("transpose")) is not None:
            octaves = self._number(shift, "octave-change", index)
            self.transpose = self._number(shift, "chromatic", index) + 12 * octaves

    def _number(self, item: Element, tag: str, index: int, otherwise: float = 0.0) -> float:
        text = item.findtext(tag)
        try:
            found = float(text) if text else otherwise
        except ValueError:
            found = float("nan")
        if not abs(found) < 1e9:
            raise DataError(f"{self.file}: bar {index + 1}: {tag} = {text!r} is not a number", "export again")
        return found

    def _quarters(self, item: Element, index: int) -> float:
        return self._number(item, "duration", index) / self.divisions

    def _note(self, item: Element, index: int, bar: str, at: float, begins: float) -> float:
        """Takes in one note; gives how far the clock goes on."""
        in_chord, grace = item.find("chord") is not None, item.find("grace") is not None
        length = 0.0 if grace else self._quarters(item, index)
        forward = 0.0 if in_chord else length
        pitch = item.find("pitch")
        if pitch is None or item.find("cue") is not None:
            return forward
        name = item.findtext("voice") or "1"
        voice = self.voices.setdefault(name, _Voice())
        midi, spelt = self._pitch(pitch, index)
        if not in_chord:
            self.graces += grace
            voice.chord, voice.onset = [], at
            voice.key = (round(at, 6), 0 if grace else 1, self.graces if grace else 0)
        self._slurs(item, voice)
        ties = {tie.get("type") for tag in ("tie", "notations/tied") for tie in item.iterfind(tag)}
        started = self.tied.pop((name, midi), None) if "stop" in ties else None
        beats = length * self.beat_type / 4.0
        if started is not None:
            before = self.notes[started]
            self.notes[started] = replace(before, beats=(before.beats or 0.0) + beats)
            here = started
        else:
            here = len(self.notes)
            note = WrittenNote(
                midi,
                bar_index=index + 1,
                bar=bar,
                beat=1.0 + round(voice.onset * self.beat_type / 4.0, 6),
                beats=beats,
                onset=round(begins + voice.onset, 6),
                name=spelt,
                grace=grace,
                signature=self.signature if self.transpose % 12 == 0 else None,
            )
            self.notes.append(self._marked(item, note))
            self.keys.append(voice.key)
        if "start" in ties:
            self.tied[name, midi] = here
        voice.chord.append(here)
        for i in voice.chord:
            self.notes[i] = replace(self.notes[i], slurred_to_next=bool(voice.slurs))
        return forward

    def _pitch(self, pitch: Element, index: int) -> tuple[float, str | None]:
        step = (pitch.findtext("step") or "").strip().upper()
        if step not in STEPS:
            raise DataError(f"{self.file}: bar {index + 1}: pitch step {step!r} is not a letter A to G", "export again")
        octave, alter = self._number(pitch, "octave", index), self._number(pitch, "alter", index)
        midi = 12 * (octave + 1) + STEPS[step] + alter + self.transpose
        if not 0 <= midi <= 127:
            raise DataError(f"{self.file}: bar {index + 1}: {step}{octave:g} is not a pitch (MIDI 0 to 127)", "mend it")
        spelt = f"{step}{ALTER_NAMES[alter]}{octave:g}" if alter in ALTER_NAMES and self.transpose == 0 else None
        return midi, spelt

    def _slurs(self, item: Element, voice: _Voice) -> None:
        for mark in item.iterfind("notations/slur"):
            number = mark.get("number", "1")
            if mark.get("type") == "start":
                voice.slurs.add(number)
            elif mark.get("type") == "stop":
                voice.slurs.discard(number)

    def _marked(self, item: Element, note: WrittenNote) -> WrittenNote:
        marks: dict[str, Any] = {}
        for mark in item.iterfind("notations/technical/*"):
            text = (mark.text or "").strip()
            if mark.tag == "fingering" and mark.get("substitution") != "yes" and text in ("0", "1", "2", "3", "4"):
                marks.setdefault("finger", int(text))
            elif mark.tag == "string" and text.isdecimal() and 1 <= int(text) <= len(self.strings):
                marks["string"] = self.strings[-int(text)]
            elif mark.tag == "open-string":
                marks["finger"] = 0
            elif mark.tag == "thumb-position":
                marks["finger"] = THUMB
        slides = [m for tag in ("slide", "glissando") for m in item.iterfind(f"notations/{tag}")]
        return replace(note, **marks, slide_marked=any(m.get("type") == "start" for m in slides))


def event_ways(ways: list[BarWay], notes: tuple[WrittenNote, ...]) -> tuple[Way, ...]:
    """Ways between bars as ways between the events that stand in them; ways to nowhere are left out."""
    first: dict[int, int] = {}
    last: dict[int, int] = {}
    for note in notes:
        first.setdefault(note.bar_index or 0, note.event)
        last[note.bar_index or 0] = note.event
    found = set()
    for way in ways:
        before = max((event for bar, event in last.items() if bar <= way.after + 1), default=0)
        if way.to is None:
            found.add(Way(before, THE_END, way.way))
            continue
        after = min((event for bar, event in first.items() if bar >= way.to + 1), default=0)
        if after and (before or way.way == "ending"):
            found.add(Way(before, after, way.way, way.times))
    return tuple(sorted(found))
