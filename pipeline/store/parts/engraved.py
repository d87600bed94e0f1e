"""A written part from MEI, Humdrum or ABC, through verovio (an optional library: ``pip install 'glideline[scores]'``).

Verovio turns each of them into MEI and tells where notes begin; fingers, slurs, ties and glissandi are read from the
MEI (Music Encoding Initiative, version 5). What its importers leave out is not there (version 6.4): strings, for which
MEI has no place; of ABC fingers, numbered endings, and the length of a chord that stands behind its bracket.
"""

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

from pipeline.errors import DataError
from pipeline.store.parts.engraver import CannotEngraveError, ask, is_there
from pipeline.store.parts.musicxml import chosen, event_ways
from pipeline.store.parts.part import MOST_NOTES, WayKind, WrittenNote, WrittenPart, numbered
from pipeline.store.parts.repeats import BarSigns, bar_ways

ENDINGS = {".mei": "mei", ".krn": "humdrum", ".abc": "abc"}
"""Endings of files, and verovio's name for what they hold."""
_MEI = "{http://www.music-encoding.org/ns/mei}"
_ID = "{http://www.w3.org/XML/1998/namespace}id"
_ACCIDENTALS = {"s": "#", "f": "b", "ss": "##", "x": "##", "ff": "bb"}
_SIGNATURE = re.compile("([0-7])([sf]?)")
_BACK: dict[str, WayKind] = {"daCapo": "da_capo", "dalSegno": "dal_segno"}


def read_engraved(text: str, *, kind: str, file: str, part: str | None) -> WrittenPart:
    """The staff of that name or number; else the first with notes.

    Raises
    ------
    DataError
        If verovio is not installed, or finds no notes.
    """
    if not is_there():
        cure = "install it with `pip install 'glideline[scores]'`, or export the part as MusicXML"
        raise DataError(f"{file}: {kind} is read through verovio, which is not installed", cure)
    try:
        answer = ask(want="notes", text=text, options={"inputFrom": kind, "expandNever": True})
        root = fromstring(answer["mei"])
    except (CannotEngraveError, ParseError, DefusedXmlException, ValueError) as error:
        raise DataError(f"{file}: is not readable as {kind}", "export it again, or as MusicXML") from error
    reader = _Reader(root, answer["times"], answer["pitches"])
    staves = [each.get("n", "1") for each in root.iter(f"{_MEI}staffDef")]
    names = [_label(each) for each in root.iter(f"{_MEI}staffDef")]
    if part is not None:
        staves = [staves[chosen(part, names, len(staves), file=file)]]
    read = [found for staff in dict.fromkeys(staves) if (found := reader.notes(staff))]
    if not read:
        raise DataError(f"{file}: holds no notes", "export the solo part")
    fingered = [notes for notes in read if any(n.finger is not None or n.string is not None for n in notes)]
    notes = (fingered or read)[0]
    if len(notes) > MOST_NOTES:
        raise DataError(f"{file}: holds more than {MOST_NOTES} notes in a part", "export the solo part")
    marks = [(n.bar_index, n.onset, i if n.grace else 0) for i, n in enumerate(notes)]
    order = sorted(range(len(notes)), key=lambda i: (marks[i][0], marks[i][1], not notes[i].grace, i))
    events = numbered([notes[i] for i in order], [marks[i] for i in order])
    return WrittenPart(events, event_ways(bar_ways(_signs(reader.measures), file=file), events))


class _Reader:
    """Notes of one staff after the other from a document and its times."""

    def __init__(self, root: Element, times: list[dict[str, Any]], pitches: dict[str, int | None]) -> None:
        self.root, self.pitches = root, pitches
        self.begins: dict[str, float] = {}
        self.ends: dict[str, float] = {}
        for moment in times:
            at = float(moment["qstamp"])
            for name in (*moment.get("on", ()), *filter(None, [moment.get("measureOn")])):
                self.begins[name] = at
            for name in moment.get("off", ()):
                self.ends[name] = at
        self.leaning = {each.get(_ID, "") for each in root.iter() if each.get("grace") == "acc"}
        """Grace notes that take their time from the note after them, whose own place on paper is theirs."""
        self.measures = list(_measures(root))
        controls = [each for measure, _ in self.measures for each in measure if each.get("startid")]
        self.controls = [
            (each.tag.removeprefix(_MEI), _ref(each, "startid"), _ref(each, "endid"), each) for each in controls
        ]

    def notes(self, staff: str) -> list[WrittenNote]:
        """Notes of a staff in the order of the document, tied ones as one."""
        beat_unit, found = 4, dict[str, WrittenNote]()
        signature: int | None = None
        of_chord: dict[str, list[str]] = {}
        units = {each: unit for each in self.root.iter() if (unit := _unit_of(each))}
        index = 0
        for each in self.root.iter():
            beat_unit = units.get(each, beat_unit)
            signature = _signature(each, staff, signature)
            if each.tag != f"{_MEI}measure":
                continue
            index += 1
            bar = each.get("n") or str(index)
            begins = self.begins.get(each.get(_ID, ""), 0.0)
            for layer in each.iterfind(f"{_MEI}staff[@n='{staff}']/{_MEI}layer"):
                waiting: list[str] = []
                for note, chord, grace in _notes(layer):
                    name = note.get(_ID, "")
                    onset = self.begins.get(name)
                    pitch = self.pitches.get(name)
                    if pitch is None or (onset is None and not grace):
                        continue
                    if chord is not None:
                        of_chord.setdefault(chord, []).append(name)
                    at = begins if onset is None else onset
                    if waiting and not grace and waiting[0] in self.leaning:
                        at = min(at, found[waiting[0]].onset or at)
                    found[name] = WrittenNote(
                        float(pitch),
                        bar_index=index,
                        bar=bar,
                        beat=1.0 + round((at - begins) * beat_unit / 4.0, 6),
                        beats=0.0 if grace else (self.ends.get(name, at) - at) * beat_unit / 4.0,
                        onset=round(at, 6),
                        name=_name(note),
                        grace=grace,
                        signature=signature,
                    )
                    if grace:
                        waiting.append(name)
                    else:
                        for before in waiting:  # a grace note stands where its note begins
                            found[before] = _at(found[before], found[name])
                        waiting = []
        return self._marked(found, of_chord)

    def _marked(self, found: dict[str, WrittenNote], of_chord: dict[str, list[str]]) -> list[WrittenNote]:
        order = {name: number for number, name in enumerate(found)}
        first_of = {chord: names[0] for chord, names in of_chord.items()}
        for tag, start, end, each in self.controls:
            here = of_chord.get(start, [start])
            text = "".join(each.itertext()).strip()
            for name in here:
                if name not in found:
                    continue
                if tag == "fing" and text in ("0", "1", "2", "3", "4"):
                    found[name] = replace(found[name], finger=int(text))
                elif tag == "gliss":
                    found[name] = replace(found[name], slide_marked=True)
            if tag == "slur" and first_of.get(start, start) in order and first_of.get(end, end) in order:
                low, high = order[first_of.get(start, start)], order[first_of.get(end, end)]
                for name in list(order)[low:high]:
                    found[name] = replace(found[name], slurred_to_next=True)
        gone: dict[str, str] = {}
        ties = [(start, end) for tag, start, end, _ in self.controls if tag == "tie"]
        for start, end in sorted(ties, key=lambda tie: order.get(tie[0], 0)):
            head = gone.get(start, start)
            if head in found and end in found:
                beats = (found[head].beats or 0.0) + (found[end].beats or 0.0)
                found[head] = replace(found[head], beats=beats, slurred_to_next=found[end].slurred_to_next)
                del found[end]
                gone[end] = head
        return list(found.values())


def _at(note: WrittenNote, main: WrittenNote) -> WrittenNote:
    return replace(note, beat=main.beat, onset=main.onset)


def _measures(root: Element) -> Iterator[tuple[Element, Element | None]]:
    """Measures in order, each with the numbered ending that it stands in."""

    def walk(element: Element, ending: Element | None) -> Iterator[tuple[Element, Element | None]]:
        for each in element:
            if each.tag == f"{_MEI}measure":
                yield each, ending
            else:
                yield from walk(each, each if each.tag == f"{_MEI}ending" else ending)

    return walk(root, None)


def _notes(layer: Element) -> Iterator[tuple[Element, str | None, bool]]:
    """Notes with the chord they stand in, and whether they are grace notes; cues are left out."""

    def walk(element: Element, chord: str | None, grace: bool) -> Iterator[tuple[Element, str | None, bool]]:
        for each in element:
            is_grace = grace or each.get("grace") is not None or each.tag == f"{_MEI}graceGrp"
            if each.tag == f"{_MEI}note":
                if each.get("cue") != "true":
                    yield each, chord, is_grace
            else:
                yield from walk(each, each.get(_ID) if each.tag == f"{_MEI}chord" else chord, is_grace)

    return walk(layer, None, False)


def _signs(measures: list[tuple[Element, Element | None]]) -> list[BarSigns]:
    signs = []
    begins_next, before = False, None
    places: dict[str, int] = {}
    for at, (measure, _) in enumerate(measures):
        for mark in measure.iter(f"{_MEI}repeatMark"):
            places.setdefault(mark.get("func", ""), at)
    codas = [
        at for at, (m, _) in enumerate(measures) if any(e.get("func") == "coda" for e in m.iter(f"{_MEI}repeatMark"))
    ]
    for at, (measure, ending) in enumerate(measures):
        left, right = measure.get("left", ""), measure.get("right", "")
        sign = BarSigns(begins=begins_next or left in ("rptstart", "rptboth"))
        sign.times = 2 if right in ("rptend", "rptboth") else 1
        begins_next = right in ("rptstart", "rptboth")
        if ending is not None:
            sign.endings = frozenset(int(n) for n in re.findall(r"\d+", ending.get("n", "")))
            sign.opens = ending is not before
        before = ending
        for mark in measure.iter(f"{_MEI}repeatMark"):
            what = mark.get("func", "")
            if what in _BACK:
                sign.back_to = 0 if what == "daCapo" else places.get("segno")
                sign.back_way = _BACK[what]
            sign.stops |= what == "fine"
            if what == "coda" and len(codas) > 1 and at == codas[0]:
                sign.to_coda = codas[1]
        signs.append(sign)
    return signs


def _unit_of(element: Element) -> int | None:
    """The note value that counts as a beat from here on, if the element states one."""
    said = element.get("meter.unit") or (element.get("unit") if element.tag == f"{_MEI}meterSig" else None)
    return int(said) if said and re.fullmatch("[1-9][0-9]{0,3}", said) else None


def _signature(element: Element, staff: str, before: int | None) -> int | None:
    """The key signature from a definition of the score or of this staff on."""
    if element.tag != f"{_MEI}scoreDef" and (element.tag != f"{_MEI}staffDef" or element.get("n") != staff):
        return before
    inner = element.find(f"{_MEI}keySig")
    named = element.get("keysig") or element.get("key.sig") or (inner.get("sig") if inner is not None else None)
    matched = _SIGNATURE.fullmatch(named or "")
    return before if matched is None else int(matched[1] or 0) * (-1 if matched[2] == "f" else 1)


def _label(staff: Element) -> str:
    label = staff.find(f"{_MEI}label")
    return "".join(label.itertext()).strip() if label is not None else staff.get("label", "")


def _ref(element: Element, name: str) -> str:
    return element.get(name, "").removeprefix("#")


def _name(note: Element) -> str:
    inner = note.find(f"{_MEI}accid")
    sign = note.get("accid.ges") or note.get("accid") or ""
    if inner is not None:
        sign = inner.get("accid.ges") or inner.get("accid") or sign
    return f"{note.get('pname', '').upper()}{_ACCIDENTALS.get(sign, '')}{note.get('oct', '')}"
