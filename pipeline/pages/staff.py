"""Some bars of a written part as a picture: engraved by verovio where it is installed, else heads on a staff.

Either way the picture is drawn once, and what stands below it shares the places of its notes.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any
from xml.etree.ElementTree import Element, ParseError, register_namespace, tostring

from defusedxml.ElementTree import fromstring

from pipeline.answers.stop_words import finger_word
from pipeline.store.parts.engraver import CannotEngraveError, ask, is_there
from pipeline.store.parts.pitch import altered_by, name_of, pitch_of_name
from pipeline.store.parts.written_out import as_musicxml

Row = Mapping[str, Any]
_SVG = "http://www.w3.org/2000/svg"
_OPTIONS = {
    "breaks": "none",
    "adjustPageHeight": True,
    "adjustPageWidth": True,
    "header": "none",
    "footer": "none",
    "svgViewBox": True,
    "svgRemoveXlink": True,
    "smuflTextFont": "none",
    "scale": 40,
    "mnumInterval": 1,
    **dict.fromkeys(("pageMarginTop", "pageMarginBottom", "pageMarginLeft", "pageMarginRight"), 20),
    # Rows of pitch below need room between the notes, whatever their lengths.
    "spacingLinear": 0.35,
    "spacingNonLinear": 0.6,
}
_PLACE = re.compile(r"translate\(\s*(-?[\d.]+)[ ,]+(-?[\d.]+)")
_STEPS = {letter: number for number, letter in enumerate("CDEFGAB")}
_SIGNS = {
    -2: "\N{MUSIC FLAT SIGN}\N{MUSIC FLAT SIGN}",
    -1: "\N{MUSIC FLAT SIGN}",
    0: "\N{MUSIC NATURAL SIGN}",
    1: "\N{MUSIC SHARP SIGN}",
    2: "×",
}
# Of the plain drawing, in its own units: half a space between lines, room for a note, and before the first.
_HALF, _ROOM, _BEFORE = 5.0, 46.0, 60.0
_SIGNS_AT, _SIGN_ROOM = 28.0, 10.0
# Of a key signature under a G clef: how far each sign stands above the lowest line, in steps (common practice).
_SIGNATURE = {
    1: {"F": 8, "C": 5, "G": 9, "D": 6, "A": 3, "E": 7, "B": 4},
    -1: {"B": 4, "E": 7, "A": 3, "D": 6, "G": 2, "C": 5, "F": 1},
}
register_namespace("", _SVG)


@dataclass(frozen=True)
class Staff:
    """A drawing ``width`` by ``height`` wide, and where each event of the part stands in it."""

    svg: str
    width: float
    height: float
    at: dict[int, float]


def staff(notes: Sequence[Row], ways: Sequence[Row], *, strings: Sequence[str]) -> Staff:
    """Draws rows of ``written_note``; ``ways`` are those of the whole part."""
    if is_there():
        try:
            return _engraved(notes, ways, strings)
        except (CannotEngraveError, ParseError, ValueError):
            pass  # a part mended by hand may hold what cannot be engraved; it can be drawn all the same
    return _plain(notes)


def _engraved(notes: Sequence[Row], ways: Sequence[Row], strings: Sequence[str]) -> Staff:
    document = as_musicxml(notes, ways, strings=strings)
    root = fromstring(ask(want="picture", text=document.decode(), options=_OPTIONS)["svg"])
    width, height = (float(n) for n in root.get("viewBox", "").split()[2:])
    inner = root.find(f"{{{_SVG}}}svg")
    margin = root.find(f".//{{{_SVG}}}g[@class='page-margin']")
    if inner is None or margin is None:
        raise ValueError("verovio draws otherwise than it did")
    scale = width / float(inner.get("viewBox", "").split()[2])
    left = _x(margin)
    event_of = {f"w{note['note_number']}": note["event"] for note in notes}
    at: dict[int, float] = {}
    for group in root.iter(f"{{{_SVG}}}g"):
        event = event_of.get(group.get("id", ""))
        head = group.find(f".//{{{_SVG}}}use")
        if event is not None and head is not None:
            at.setdefault(event, scale * (left + _x(head)) + 5.0)
    if set(at) != set(event_of.values()):
        raise ValueError("verovio left notes out")
    for unwanted in root.findall(f"{{{_SVG}}}desc"):
        root.remove(unwanted)
    root.set("class", "engraved")
    root.set("aria-hidden", "true")
    return Staff(tostring(root, encoding="unicode"), width, height, at)


def _x(element: Element) -> float:
    matched = _PLACE.search(element.get("transform", ""))
    return float(matched[1]) if matched else 0.0


def _plain(notes: Sequence[Row]) -> Staff:
    """Heads at their places, without stems or lengths: bar lines, accidentals, fingers, and a line for a slide."""
    low = sorted(note["midi"] for note in notes)[len(notes) // 2] < 55
    bottom = _height("G2" if low else "E4")
    events = list(dict.fromkeys(note["event"] for note in notes))
    signature = altered_by(notes[0]["signature"])
    before = _BEFORE + _SIGN_ROOM * len(signature)
    at = {event: before + _ROOM * number for number, event in enumerate(events)}
    names = [note["name"] or name_of(note["midi"], note["signature"]) for note in notes]
    heights = [_height(name) - bottom for name in names]
    top = max(8, *heights) + 5
    width, height = before + _ROOM * len(events), (top - min(0, *heights) + 5) * _HALF

    def y(steps: float) -> float:
        return (top - steps) * _HALF

    parts = [_line(8, y(each), width - 4, y(each)) for each in (0, 2, 4, 6, 8)]
    parts.append(_text(12, y(2), "F" if low else "G", "clef"))
    for place, (letter, alter) in enumerate(signature.items()):
        steps = _SIGNATURE[alter][letter] - (2 if low else 0)
        parts.append(_text(_SIGNS_AT + _SIGN_ROOM * place, y(steps) + 4, _SIGNS[alter], "sign"))
    bar: Any = None
    altered: dict[tuple[str, int], int] = {}
    for note, name, steps in zip(notes, names, heights, strict=True):
        x = at[note["event"]]
        if note["bar"] != bar:
            bar, altered = note["bar"], {}
            parts.append(_line(x - _ROOM / 2, y(8), x - _ROOM / 2, y(0)))
            parts.append(_text(x - _ROOM / 2 + 3, y(top - 2), str(bar or ""), "bar"))
        for ledger in [*range(10, steps + 1, 2), *range(-2, steps - 1, -2)]:
            parts.append(_line(x - 9, y(ledger), x + 9, y(ledger)))
        small = 0.65 if note["grace"] else 1.0
        parts.append(f'<ellipse cx="{x:.1f}" cy="{y(steps):.1f}" rx="{6 * small:.1f}" ry="{4.4 * small:.1f}"/>')
        letter, alter, octave = pitch_of_name(name)
        if alter != altered.get((letter, octave), signature.get(letter, 0)):
            parts.append(_text(x - 17, y(steps) + 4, _SIGNS[alter], "sign"))
            altered[letter, octave] = alter
        if note["finger"] is not None:
            parts.append(_text(x - 3, y(max(steps, 8) + 2.5), finger_word(note["finger"]), "finger"))
        if note["slide_marked"] and note["event"] + 1 in at:
            after = next(h for n, h in zip(notes, heights, strict=True) if n["event"] == note["event"] + 1)
            parts.append(_line(x + 9, y(steps), at[note["event"] + 1] - 18, y(after)))
    head = f'<svg xmlns="{_SVG}" class="plain-staff" aria-hidden="true" viewBox="0 0 {width:.0f} {height:.0f}">'
    return Staff(f"{head}{''.join(parts)}</svg>", width, height, at)


def _height(name: str) -> int:
    step, _, octave = pitch_of_name(name)
    return 7 * octave + _STEPS[step]


def _line(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def _text(x: float, y: float, words: str, kind: str) -> str:
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}">{escape(words)}</text>'
