"""Printed fingerings from notation: MusicXML (``.musicxml``, ``.xml``, compressed ``.mxl``) or CSV.

A CSV has a row a note: ``note`` (or ``pitch``: F#5; or ``midi``) or ``time`` (s in corrected time, where the note
sounds), and any of take, bar, beat, string, finger, position, slide_marked. Rows of other takes are passed over.

Of MusicXML (W3C, version 4.0) are read: pitch, tie, slur, slide and glissando, and under ``<technical>`` fingering,
string (1 is the highest) and open-string; a thumb is read as no finger. Tied notes are one note; of a chord the
highest note is kept; grace notes count; repeats are written out (``repeats``). Pitches stand as they sound, under an
octave sign too. Entities and external references are refused, and a compressed file may hold at most ``MOST_FILES``
files of ``MOST_BYTES`` bytes each.
"""

import math
import re
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element, ParseError

import polars as pl
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

from pipeline.errors import DataError
from pipeline.store import schema
from pipeline.store.catalogue.problems import listed
from pipeline.store.formats.repeats import played_order

MOST_BYTES = 50_000_000
MOST_FILES = 500
_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_NAME = re.compile("([A-Ga-g])(bb|b|##|#|x)?(-?[0-9])")
_COLUMNS = (
    *("take", "note", "pitch", "midi", "time", "bar", "beat"),
    *("string", "finger", "position", "slide_marked"),
)
_ALTER = {None: 0, "": 0, "b": -1, "bb": -2, "#": 1, "##": 2, "x": 2}


@dataclass(frozen=True)
class PrintedNote:
    """One note of the part: pitch in MIDI, where it stands, and what is printed for the hand."""

    midi: float
    bar: int | None = None
    beat: float | None = None
    string: str | None = None
    finger: int | None = None
    position: int | None = None
    slide_marked: bool = False
    slurred_to_next: bool = False
    time_s: float | None = None


def midi_of_name(name: str) -> float:
    """MIDI number of a pitch written like F#5 or Bb3; A4 is 69.

    Raises
    ------
    DataError
        If it is not a pitch.
    """
    matched = _NAME.fullmatch(name.strip())
    if matched is None:
        raise DataError(f"{name!r} is not a pitch; write it like F#5 or Bb3, or give a MIDI number")
    step, accidental, octave = matched.groups()
    return float(12 * (int(octave) + 1) + _STEPS[step.upper()] + _ALTER[accidental])


def read_printed(
    path: Path,
    *,
    work_id: str,
    edition: str,
    strings: tuple[str, ...],
    take_id: str | None = None,
    sounding: Callable[[float], float | None] | None = None,
) -> pl.DataFrame:
    """Rows of ``printed_fingering`` from a MusicXML or CSV file.

    Parameters
    ----------
    path : the file; its ending says what it is.
    work_id, edition : written into every row.
    strings : names of the strings, lowest first; a string number counts from the highest.
    take_id : the take that times in a CSV belong to.
    sounding : the pitch (MIDI) found at a time of that take, None where there is no note; None if nothing is found
        yet.

    Raises
    ------
    DataError
        If the file is not readable, too large, or holds no notes; names the line or bar where it can.
    """
    ending = path.suffix.lower()
    if ending == ".csv":
        notes = _csv(path, take_id=take_id, strings=strings, sounding=sounding)
    elif ending in (".musicxml", ".xml", ".mxl"):
        notes = read_musicxml(_document(path, compressed=ending == ".mxl"), file=path.name, strings=strings)
    else:
        raise DataError(f"{path.name}: is neither .csv nor .musicxml, .xml or .mxl; export it as one of these")
    rows = [
        {
            "work_id": work_id,
            "edition": edition,
            "note_number": number,
            "bar": note.bar,
            "beat": note.beat,
            "midi": note.midi,
            "string": note.string,
            "finger": note.finger,
            "position": note.position,
            "slide_marked": note.slide_marked,
            "slurred_to_next": note.slurred_to_next,
            "take_id": take_id if note.time_s is not None else None,
            "time_s": note.time_s,
        }
        for number, note in enumerate(notes, start=1)
    ]
    return schema.load("printed_fingering").checked(pl.DataFrame(rows, infer_schema_length=None))


def read_musicxml(document: bytes, *, file: str, strings: tuple[str, ...]) -> list[PrintedNote]:
    """Notes of the part with fingerings (else of the first part), in order.

    Raises
    ------
    DataError
        If it is not MusicXML or holds no pitched note.
    """
    try:
        root = fromstring(document)
    except (ParseError, DefusedXmlException, ValueError, LookupError) as error:
        raise DataError(f"{file}: is not readable as XML ({error}); export the part as MusicXML again") from error
    if root.tag == "score-partwise":
        parts = [list(part.findall("measure")) for part in root.findall("part")]
    elif root.tag == "score-timewise":
        bars = root.findall("measure")
        ids = [part.get("id") for part in bars[0].findall("part")] if bars else []
        parts = [
            [_renumbered(bar, part) for bar in bars for part in bar.findall("part") if part.get("id") == i] for i in ids
        ]
    else:
        raise DataError(f"{file}: its root is <{root.tag}>, not a MusicXML score; export the part as MusicXML")
    read = [_Part(strings, file).read(bars) for bars in parts]
    read = [notes for notes in read if notes]
    if not read:
        raise DataError(f"{file}: holds no pitched notes; export the solo part")
    fingered = [notes for notes in read if any(n.finger is not None or n.string is not None for n in notes)]
    return fingered[0] if fingered else read[0]


def _renumbered(bar: Element, part: Element) -> Element:
    part.set("number", bar.get("number", ""))
    return part


class _Part:
    """Reads one part: the clock, ties and what is printed."""

    def __init__(self, strings: tuple[str, ...], file: str) -> None:
        self.strings = strings
        self.file = file
        self.divisions = 1.0
        self.beat_type = 4.0
        self.transpose = 0.0
        self.notes: list[PrintedNote] = []
        self.tied: set[float] = set()

    def read(self, bars: list[Element]) -> list[PrintedNote]:
        clocks = []
        for bar in bars:
            clocks.append((self.divisions, self.beat_type, self.transpose))
            for item in bar.findall("attributes"):
                self._attributes(item)
        for index in played_order(bars, file=self.file):
            number, bar, at = index + 1, bars[index], 0.0
            self.divisions, self.beat_type, self.transpose = clocks[index]
            for item in bar:
                if item.tag == "attributes":
                    self._attributes(item)
                elif item.tag == "backup":
                    at -= self._number(item, "duration", number)
                elif item.tag == "forward":
                    at += self._number(item, "duration", number)
                elif item.tag == "note":
                    at += self._note(item, number, bar.get("number", ""), at)
        return self.notes

    def _attributes(self, item: Element) -> None:
        self.divisions = float(item.findtext("divisions") or self.divisions) or 1.0
        self.beat_type = float(item.findtext("time/beat-type") or self.beat_type)
        if (shift := item.find("transpose")) is not None:
            self.transpose = float(shift.findtext("chromatic") or 0) + 12 * float(shift.findtext("octave-change") or 0)

    def _number(self, item: Element, tag: str, bar: int) -> float:
        text = item.findtext(tag)
        try:
            return float(text) if text else 0.0
        except ValueError as error:
            raise DataError(f"{self.file}: bar {bar}: {tag} = {text!r} is not a number; export again") from error

    def _note(self, item: Element, bar: int, written_bar: str, at: float) -> float:
        """Takes in one note; returns how far the clock goes on, in divisions."""
        chord = item.find("chord") is not None
        length = 0.0 if chord or item.find("grace") is not None else self._number(item, "duration", bar)
        pitch = item.find("pitch")
        if pitch is None or item.find("cue") is not None or item.findtext("voice", "1") not in ("1", ""):
            return length
        step, octave = (pitch.findtext("step") or "").upper(), self._number(pitch, "octave", bar)
        if step not in _STEPS:
            raise DataError(f"{self.file}: bar {bar}: pitch step {step!r} is not a letter A to G; export again")
        midi = 12 * (octave + 1) + _STEPS[step] + self._number(pitch, "alter", bar) + self.transpose
        ties = {tie.get("type") for tag in ("tie", "notations/tied") for tie in item.iterfind(tag)}
        continued = "stop" in ties and midi in self.tied
        self.tied = (self.tied if chord else set()) | ({midi} if "start" in ties else set())
        if continued:
            return length
        note = self._printed(item, midi, int(written_bar) if written_bar.isdigit() else bar, at)
        if not chord:
            self.notes.append(note)
        elif self.notes and midi > self.notes[-1].midi:
            self.notes[-1] = note
        return length

    def _printed(self, item: Element, midi: float, bar: int, at: float) -> PrintedNote:
        beat = 1.0 + at / self.divisions * self.beat_type / 4.0
        note = PrintedNote(midi, bar=bar, beat=beat if 1.0 <= beat <= 64.0 else None)
        for mark in item.iterfind("notations/technical/*"):
            text = (mark.text or "").strip()
            if mark.tag == "fingering" and mark.get("substitution") != "yes" and note.finger is None:
                note = replace(note, finger=int(text) if text in ("0", "1", "2", "3", "4") else None)
            elif mark.tag == "string" and text.isdigit() and 1 <= int(text) <= len(self.strings):
                note = replace(note, string=self.strings[-int(text)])
            elif mark.tag == "open-string":
                note = replace(note, finger=0)
        slides = [m for tag in ("slide", "glissando") for m in item.iterfind(f"notations/{tag}")]
        slurs = {m.get("type") for m in item.iterfind("notations/slur")}
        inside = bool(self.notes and self.notes[-1].slurred_to_next and "stop" not in slurs)
        return replace(
            note,
            slide_marked=any(m.get("type") == "start" for m in slides),
            slurred_to_next="start" in slurs or inside,
        )


def _document(path: Path, *, compressed: bool) -> bytes:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise DataError(f"{path.name}: is larger than {MOST_BYTES // 1_000_000} MB; export the solo part alone")
        if not compressed:
            return path.read_bytes()
        with zipfile.ZipFile(path) as archive:
            if len(archive.infolist()) > MOST_FILES:
                raise DataError(f"{path.name}: holds more than {MOST_FILES} files; export it again")
            names = archive.namelist()
            inner = next((n for n in names if n.endswith((".musicxml", ".xml")) and "META-INF" not in n), None)
            if "META-INF/container.xml" in names:
                container = fromstring(_bounded(archive, "META-INF/container.xml", path.name))
                listed = [e.get("full-path") for e in container.iter() if e.tag.endswith("rootfile")]
                inner = listed[0] if listed and listed[0] in names else inner
            if inner is None:
                raise DataError(f"{path.name}: holds no score; export it again as .musicxml")
            return _bounded(archive, inner, path.name)
    except FileNotFoundError as error:
        raise DataError(f"{path}: there is no such file") from error
    except (
        OSError,
        zipfile.BadZipFile,
        ParseError,
        DefusedXmlException,
        RuntimeError,
        NotImplementedError,
    ) as error:
        raise DataError(f"{path.name}: is not readable ({error}); export it again") from error


def _bounded(archive: zipfile.ZipFile, name: str, file: str) -> bytes:
    with archive.open(name) as stream:
        found = stream.read(MOST_BYTES + 1)
    if len(found) > MOST_BYTES:
        raise DataError(f"{file}: unpacks to more than {MOST_BYTES // 1_000_000} MB; export the solo part alone")
    return found


def _csv(
    path: Path, *, take_id: str | None, strings: tuple[str, ...], sounding: Callable[[float], float | None] | None
) -> list[PrintedNote]:
    try:
        frame = pl.read_csv(path, infer_schema=False, encoding="utf8")
    except FileNotFoundError as error:
        raise DataError(f"{path}: there is no such file") from error
    except (pl.exceptions.PolarsError, OSError) as error:
        raise DataError(f"{path.name}: is not readable as CSV ({error})") from error
    unknown = [name for name in frame.columns if name not in (*_COLUMNS, "note_number")]
    if unknown or not {"note", "pitch", "midi", "time"} & set(frame.columns):
        wrong = f"unknown column {unknown[0]!r}" if unknown else "no column note, pitch, midi or time"
        raise DataError(f"{path.name}: {wrong}; the columns are {', '.join(_COLUMNS)}")
    rows = [(number, row) for number, row in enumerate(frame.to_dicts(), start=2)]
    if take_id is not None and "take" in frame.columns:
        rows = [(number, row) for number, row in rows if row["take"] in (take_id, None, "")]
        if not rows:
            takes = sorted({row["take"] for row in frame.to_dicts()})
            raise DataError(f"{path.name}: holds no row of the take {take_id}; its takes are {listed(takes, most=8)}")
    notes = [_csv_note(row, f"{path.name}: row {number}", strings, sounding) for number, row in rows]
    if not notes:
        raise DataError(f"{path.name}: holds no notes")
    return notes


def _csv_note(
    row: dict[str, Any], where: str, strings: tuple[str, ...], sounding: Callable[[float], float | None] | None
) -> PrintedNote:
    def number(name: str) -> float | None:
        text = row.get(name)
        try:
            found = float(text) if text else None
        except ValueError as error:
            raise DataError(f"{where}: {name} = {text!r} is not a number") from error
        if found is not None and not math.isfinite(found):
            raise DataError(f"{where}: {name} = {text!r} is not a number")
        return found

    time_s, name = number("time"), row.get("note") or row.get("pitch")
    try:
        midi = midi_of_name(name) if name else number("midi")
    except DataError as error:
        raise DataError(f"{where}: {'note' if row.get('note') else 'pitch'} = {error}") from error
    if midi is None and time_s is None:
        raise DataError(f"{where}: neither note nor time is given; write a pitch like F#5, or a time in s")
    if midi is None:
        midi = _pitch_at(float(time_s or 0.0), where, sounding)
    if row.get("string") and row["string"] not in strings:
        raise DataError(f"{where}: string = {row['string']!r}; the strings are {', '.join(strings)}")
    whole = {name: None if (v := number(name)) is None else int(v) for name in ("bar", "finger", "position")}
    return PrintedNote(
        midi,
        bar=whole["bar"],
        beat=number("beat"),
        string=row.get("string") or None,
        finger=whole["finger"],
        position=whole["position"],
        slide_marked=(row.get("slide_marked") or "").lower() in ("yes", "true", "1"),
        time_s=time_s,
    )


def _pitch_at(time_s: float, where: str, sounding: Callable[[float], float | None] | None) -> float:
    if sounding is None:
        raise DataError(f"{where}: gives a time and no note, and the take has no notes yet; run first, or add the note")
    midi = sounding(time_s)
    if midi is None:
        raise DataError(
            f"{where}: time = {time_s:g}: no note was found there; mend the time (corrected s) or add the note"
        )
    return float(round(midi))
