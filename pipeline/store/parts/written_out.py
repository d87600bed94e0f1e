"""A written part as a MusicXML 4.0 document, as on paper: for engraving, and for other programs."""

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any
from xml.etree.ElementTree import Element, SubElement, tostring

from pipeline.instruments import THUMB
from pipeline.store.parts.pitch import altered_by, name_of, pitch_of_name

Row = Mapping[str, Any]
_DIVISIONS = 48
"""Parts of a quarter note: halves down to 64ths, and triplets, are whole numbers of them."""
_ACCIDENTALS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
_TYPES = {6: "32nd", 12: "16th", 24: "eighth", 48: "quarter", 96: "half", 192: "whole"}


def as_musicxml(
    notes: Sequence[Row], ways: Sequence[Row] = (), *, strings: Sequence[str] = (), part: str = ""
) -> bytes:
    """The document.

    Parameters
    ----------
    notes : rows of ``written_note`` of one edition (or of some bars of it), in order; without bars, a bar for every
        four notes.
    ways : rows of ``written_way``; of these repeats and endings are drawn.
    strings : names of the strings, lowest first; strings are then printed by their number.
    part : name of the part.
    """
    root = Element("score-partwise", version="4.0")
    score_part = SubElement(SubElement(root, "part-list"), "score-part", id="P1")
    SubElement(score_part, "part-name").text = part
    body = SubElement(root, "part", id="P1")
    placed = _joined(_placed(notes))
    bars = [(index, list(rows)) for index, rows in groupby(placed, key=lambda row: row["bar_index"])]
    unit = _unit(placed)
    begins, ends = _barlines(bars, ways)
    before: tuple[int | None, int | None] = (None, None)
    for number, (index, rows) in enumerate(bars):
        following = bars[number + 1][1][0] if number + 1 < len(bars) else None
        at = _begin(rows[0], unit)
        length = max(_length(row, unit) + row["onset"] - at for row in rows)
        if following is not None:
            length = max(_begin(following, unit) - at, length)
        bar = SubElement(body, "measure", number=str(rows[0]["bar"] or index))
        now = (max(round(length * unit / 4.0), 1), rows[0]["signature"])
        if before[0] is not None and following is None:  # a last bar cut short is no new time signature
            now = (max(now[0], before[0]), now[1])
        beats, key = (new if new != old else None for new, old in zip(now, before, strict=True))
        _attributes(bar, beats, unit, key=key, clef_for=rows if number == 0 else None)
        before = now
        _barline(bar, "left", begins.get(index, {}))
        _notes(bar, rows, at, length, unit, strings)
        _barline(bar, "right", ends.get(index, {}))
    return b'<?xml version="1.0" encoding="UTF-8"?>' + tostring(root)


def _placed(notes: Sequence[Row]) -> list[dict[str, Any]]:
    """Notes that all have a bar, beat and onset; where these are not known, each event is a quarter note."""
    rows = [dict(row) for row in notes]
    if all(row["bar_index"] is not None and row["onset"] is not None and row["beat"] is not None for row in rows):
        return rows
    for row in rows:
        bar, beat = divmod(row["event"] - 1, 4)
        row |= {"bar_index": bar + 1, "bar": None, "beat": beat + 1.0, "onset": row["event"] - 1.0, "beats": 1.0}
    return rows


def _joined(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Notes with the ends of slurs and slide lines that stand at the first note of each event."""
    slurred = slid = False
    for _, event in groupby(rows, key=lambda row: row["event"]):
        head, *_ = notes = list(event)
        goes_on, slides = (any(row[name] for row in notes) for name in ("slurred_to_next", "slide_marked"))
        head["slur"] = {(False, True): "start", (True, False): "stop"}.get((slurred, goes_on))
        head["slide"] = [kind for kind, there in (("stop", slid), ("start", slides)) if there]
        slurred, slid = goes_on, slides
    return rows


def _unit(rows: list[dict[str, Any]]) -> float:
    """The time signature's lower figure, from notes of one bar: how many beats go on in how many quarter notes."""
    for _, bar in groupby(rows, key=lambda row: row["bar_index"]):
        notes = list(bar)
        beats, quarters = notes[-1]["beat"] - notes[0]["beat"], notes[-1]["onset"] - notes[0]["onset"]
        if beats > 0 and quarters > 0:
            return float(min((1.0, 2.0, 4.0, 8.0, 16.0), key=lambda unit: abs(unit - 4.0 * beats / quarters)))
    return 4.0


def _begin(row: Row, unit: float) -> float:
    """Where the bar of a note begins, in quarter notes from the beginning of the part."""
    return float(row["onset"] - (row["beat"] - 1.0) * 4.0 / unit)


def _length(row: Row, unit: float) -> float:
    return float((row["beats"] if row["beats"] is not None else 1.0) * 4.0 / unit)


def _attributes(
    bar: Element, beats: int | None, unit: float, *, key: int | None, clef_for: list[dict[str, Any]] | None
) -> None:
    """What is new from this bar on: key signature, beats of the time signature, and the clef at the beginning."""
    if beats is None and key is None and clef_for is None:
        return
    attributes = SubElement(bar, "attributes")
    if clef_for is not None:
        SubElement(attributes, "divisions").text = str(_DIVISIONS)
    if key is not None:
        SubElement(SubElement(attributes, "key"), "fifths").text = str(key)
    if beats is not None:
        time = SubElement(attributes, "time")
        SubElement(time, "beats").text = str(beats)
        SubElement(time, "beat-type").text = f"{unit:g}"
    if clef_for is not None:
        clef = SubElement(attributes, "clef")
        low = sorted(row["midi"] for row in clef_for)[len(clef_for) // 2] < 55
        SubElement(clef, "sign").text = "F" if low else "G"
        SubElement(clef, "line").text = "4" if low else "2"


def _notes(
    bar: Element, rows: list[dict[str, Any]], at: float, length: float, unit: float, strings: Sequence[str]
) -> None:
    clock = at
    altered: dict[tuple[str, int], int] = {}
    signature = altered_by(rows[0]["signature"])
    events = [list(group) for _, group in groupby(rows, key=lambda row: row["event"])]
    for number, event in enumerate(events):
        onset = event[0]["onset"]
        _rest(bar, onset - clock)
        clock = max(clock, onset)
        ahead = [other[0]["onset"] for other in events[number + 1 :] if other[0]["onset"] > onset]
        room = (ahead[0] if ahead else at + length) - onset
        for place, row in enumerate(event):
            sounds = min(_length(row, unit), room) or room
            note = _note(
                bar, row, 0.0 if row["grace"] else sounds, chord=place > 0, signature=signature, altered=altered
            )
            _notations(note, row, strings)
            if place == 0 and not row["grace"]:
                clock = onset + sounds
    _rest(bar, at + length - clock)


def _rest(bar: Element, length: float) -> None:
    if length * _DIVISIONS >= 1:
        note = SubElement(bar, "note")
        SubElement(note, "rest")
        _duration(note, length)


def _duration(note: Element, length: float) -> None:
    whole = max(round(length * _DIVISIONS), 1)
    SubElement(note, "duration").text = str(whole)
    SubElement(note, "voice").text = "1"
    for dots, share in ((0, 1.0), (1, 1.5), (2, 1.75)):
        if (kind := _TYPES.get(round(whole / share))) is not None and round(whole / share) * share == whole:
            SubElement(note, "type").text = kind
            for _ in range(dots):
                SubElement(note, "dot")
            return
    SubElement(note, "type").text = _TYPES[max((size for size in _TYPES if size <= whole), default=6)]


def _note(
    bar: Element,
    row: Row,
    length: float,
    *,
    chord: bool,
    signature: Mapping[str, int],
    altered: dict[tuple[str, int], int],
) -> Element:
    """``altered``: accidentals in force in the bar beside those of the signature."""
    note = SubElement(bar, "note", id=f"w{row['note_number']}")
    if row["grace"]:
        SubElement(note, "grace")
    if chord:
        SubElement(note, "chord")
    step, alter, octave = pitch_of_name(row["name"] or name_of(row["midi"], row["signature"]))
    pitch = SubElement(note, "pitch")
    SubElement(pitch, "step").text = step
    if alter:
        SubElement(pitch, "alter").text = str(alter)
    SubElement(pitch, "octave").text = str(octave)
    if row["grace"]:
        SubElement(note, "voice").text = "1"
        SubElement(note, "type").text = "eighth"
    else:
        _duration(note, length)
    if alter != altered.get((step, octave), signature.get(step, 0)):
        SubElement(note, "accidental").text = _ACCIDENTALS[alter]
        altered[step, octave] = alter
    return note


def finger_mark(technical: Element, finger: int) -> None:
    """The mark of a finger, 0 being the open string, in a ``<technical>``."""
    if finger == THUMB:
        SubElement(technical, "thumb-position")
    else:
        SubElement(technical, "fingering").text = str(finger)


def _notations(note: Element, row: Row, strings: Sequence[str]) -> None:
    string = row["string"] if row["string"] in strings else None
    if not (row.get("slur") or row.get("slide") or string or row["finger"] is not None):
        return
    notations = SubElement(note, "notations")
    if row.get("slur"):
        SubElement(notations, "slur", type=row["slur"], number="1")
    if string or row["finger"] is not None:
        technical = SubElement(notations, "technical")
        if row["finger"] is not None:
            finger_mark(technical, row["finger"])
        if string:
            SubElement(technical, "string").text = str(len(strings) - list(strings).index(string))
    for kind in row.get("slide") or ():
        SubElement(notations, "slide", {"type": kind, "number": "1", "line-type": "solid"})


def _barlines(
    bars: list[tuple[int, list[dict[str, Any]]]], ways: Sequence[Row]
) -> tuple[dict[int, dict[str, str]], dict[int, dict[str, str]]]:
    """What stands at the left and right of bars, by their index: repeats and endings."""
    first = {rows[0]["event"]: index for index, rows in bars}
    last = {rows[-1]["event"]: index for index, rows in bars}
    begins: dict[int, dict[str, str]] = {}
    ends: dict[int, dict[str, str]] = {}
    for way in ways:
        if way["way"] == "repeat":
            if way["to_event"] in first and first[way["to_event"]] != bars[0][0]:
                begins.setdefault(first[way["to_event"]], {})["repeat"] = "forward"
            if way["from_event"] in last:
                ends.setdefault(last[way["from_event"]], {})["repeat"] = "backward"
        elif way["way"] == "ending" and way["to_event"] in first:
            after = first[way["to_event"]]
            begins.setdefault(after, {})["ending"] = "2"
            ends.setdefault(after, {})["ending"] = "2"
            if way["from_event"] + 1 in first and after - 1 in last.values():
                begins.setdefault(first[way["from_event"] + 1], {})["ending"] = "1"
                ends.setdefault(after - 1, {})["ending"] = "1"
    return begins, ends


def _barline(bar: Element, side: str, signs: Mapping[str, str]) -> None:
    if not signs:
        return
    line = SubElement(bar, "barline", location=side)
    if "ending" in signs:
        SubElement(line, "ending", number=signs["ending"], type="start" if side == "left" else "stop")
    if "repeat" in signs:
        SubElement(line, "repeat", direction=signs["repeat"])
