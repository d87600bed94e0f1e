"""Words written over the pitch pictures: strings, seconds, kinds of slides, fingers and positions.

Each label is put where it covers no other; one that finds no room near what it names is left out, except kinds,
which always stand.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any

from pipeline.pages.pictures import PIXELS_PER_S, ROW_S, Drawn, Frame
from pipeline.pages.written_over import Over

# Widths are estimates from above for a serif face, in parts of the letter's height.
_LETTER = 0.6
_KIND_SIZE, _FINGER_SIZE, _STRING_SIZE = 9.0, 7.5, 9.0
_BAND_SIZE, _BAR_SIZE, _TOP_LINE = 9.0, 8.0, 10.0
_LEAST_FINGER_S = 0.1
# A card's picture as the style sheet makes it, and how high its letters are to be.
_CARD_PX, _CARD_LETTER_PX = (304.0, 176.0), 12.0
_POSITIONS = "½ I II III IV V VI VII VIII IX X XI XII XIII XIV XV XVI XVII XVIII XIX XX"


@dataclass
class _Taken:
    """Boxes already written in, as left, top, right, bottom."""

    boxes: list[tuple[float, float, float, float]] = field(default_factory=list)

    def free(self, box: tuple[float, float, float, float]) -> bool:
        return not any(
            box[0] < other[2] and box[2] > other[0] and box[1] < other[3] and box[3] > other[1] for other in self.boxes
        )

    def take(self, box: tuple[float, float, float, float]) -> None:
        self.boxes.append(box)


def row_labels(*, frame: Frame, drawn: Drawn, over: Over, start_s: float) -> str:
    """Labels of the row that begins at ``start_s``."""
    x0, x1 = start_s * PIXELS_PER_S, (start_s + ROW_S) * PIXELS_PER_S
    taken = _Taken()
    parts = _bands(frame, over, (x0, x1), taken)
    for name, midi in drawn.strings:
        y = float(frame.y(midi)) - 2
        if y > frame.height:
            continue
        words = f"open {name}"
        taken.take(_box(x0 + 3, y, words, _STRING_SIZE))
        parts.append(f'<text class="string-name" x="{x0 + 3:.1f}" y="{y:.1f}">{escape(words)}</text>')
    for second in range(int(start_s), int(start_s + ROW_S) + 1, 2):
        x = second * PIXELS_PER_S
        if x < x1:
            parts.append(f'<text class="second" x="{x + 2:.1f}" y="{frame.height - 3}">{second} s</text>')
            taken.take(_box(x + 2, frame.height - 3, f"{second} s", _STRING_SIZE))
    parts += _bars(frame, over, (x0, x1), taken)
    parts += _kinds(frame, drawn, (x0, x1), taken)
    parts += _fingers(frame, drawn, (x0, x1), taken)
    parts += _printed(frame, drawn, over, (x0, x1), taken)
    return "".join(parts)


def _bands(frame: Frame, over: Over, row: tuple[float, float], taken: _Taken) -> list[str]:
    """Whose solo it is, named where it begins and in every row; grey where nothing is counted."""
    parts = []
    for band in over.bands:
        left, right = max(band.start_s * PIXELS_PER_S, row[0]), min(band.end_s * PIXELS_PER_S, row[1])
        if right <= left:
            continue
        if not band.counted:
            parts.append(
                f'<rect class="left-out" x="{left:.1f}" y="0" width="{right - left:.1f}" height="{frame.height}">'
                f"<title>{escape(band.words)}</title></rect>"
            )
        words = band.words if _width(band.words, _BAND_SIZE) <= right - left else band.words.partition(":")[0]
        box = _box(left + 3, _TOP_LINE, words, _BAND_SIZE)
        if box[2] <= right and taken.free(box):
            taken.take(box)
            parts.append(f'<text class="band" x="{left + 3:.1f}" y="{_TOP_LINE}">{escape(words)}</text>')
    return parts


def _bars(frame: Frame, over: Over, row: tuple[float, float], taken: _Taken) -> list[str]:
    parts = []
    for start_s, bar in over.bars:
        x = start_s * PIXELS_PER_S
        if not row[0] <= x < row[1]:
            continue
        parts.append(f'<line class="bar" x1="{x:.1f}" x2="{x:.1f}" y1="0" y2="{frame.height}"/>')
        # Above the seconds; where a string's name stands there, further up.
        foot = frame.height - 3 - _STRING_SIZE - 2
        free = (y for y in (foot, foot - 12, _TOP_LINE + 12, _TOP_LINE) if taken.free(_box(x + 2, y, bar, _BAR_SIZE)))
        if (y := next(free, None)) is not None:
            taken.take(_box(x + 2, y, bar, _BAR_SIZE))
            parts.append(f'<text class="bar-number" x="{x + 2:.1f}" y="{y:.1f}">{escape(bar)}</text>')
    return parts


def _printed(frame: Frame, drawn: Drawn, over: Over, row: tuple[float, float], taken: _Taken) -> list[str]:
    """The printed finger above its note."""
    parts = []
    for note in drawn.notes:
        words = over.printed.get(note["note_id"], "")
        middle = (note["start_s"] + note["end_s"]) / 2 * PIXELS_PER_S
        y = float(frame.y(note["midi"])) - 5
        box = _box(middle - _width(words, _FINGER_SIZE) / 2, y, words, _FINGER_SIZE)
        if words and row[0] <= middle < row[1] and taken.free(box):
            taken.take(box)
            parts.append(f'<text class="printed" x="{middle:.1f}" y="{y:.1f}">{escape(words)}</text>')
    return parts


def _kinds(frame: Frame, drawn: Drawn, row: tuple[float, float], taken: _Taken) -> list[str]:
    parts = []
    for slide in drawn.slides:
        x = slide["start_s"] * PIXELS_PER_S
        if not row[0] <= x < row[1]:
            continue
        words = slide["kind"].replace("_", " ")
        x = min(x, row[1] - 2 - _width(words, _KIND_SIZE))
        top = float(frame.y(max(slide["from_midi"], slide["to_midi"]))) - 7
        bottom = float(frame.y(min(slide["from_midi"], slide["to_midi"]))) + 14
        tried = [top - 10 * n for n in range(5)] + [bottom + 10 * n for n in range(4)]
        inside = [y for y in tried if _KIND_SIZE <= y <= frame.height - 14] or [max(top, _KIND_SIZE)]
        y = next((y for y in inside if taken.free(_box(x, y, words, _KIND_SIZE))), inside[0])
        taken.take(_box(x, y, words, _KIND_SIZE))
        parts.append(f'<text class="kind" x="{x:.1f}" y="{y:.1f}">{escape(words)}</text>')
    return parts


def _fingers(frame: Frame, drawn: Drawn, row: tuple[float, float], taken: _Taken) -> list[str]:
    """The finger below each note, and string and position where the hand has moved since the last one told."""
    parts = []
    last: tuple[str, Any] | None = None
    for note in drawn.notes:
        middle = (note["start_s"] + note["end_s"]) / 2 * PIXELS_PER_S
        hand = drawn.hands.get(note["note_id"])
        if hand is None or not row[0] <= middle < row[1]:
            continue
        y = float(frame.y(note["midi"])) + 11
        finger = str(hand["finger"])
        box = _box(middle - _width(finger, _FINGER_SIZE) / 2, y, finger, _FINGER_SIZE)
        if note["end_s"] - note["start_s"] < _LEAST_FINGER_S or not taken.free(box):
            continue
        taken.take(box)
        parts.append(f'<text class="finger" x="{middle:.1f}" y="{y:.1f}">{finger}</text>')
        # An open string leaves the hand where it was.
        place = (hand["string"], hand["position"] if hand["finger"] else (last or ("", None))[1])
        if place == last:
            continue
        words = " ".join(part for part in (place[0], _position(place[1]) if hand["finger"] else "") if part)
        below = _box(middle - 3, y + 9, words, _FINGER_SIZE)
        if below[2] < row[1] and y + 9 < frame.height and taken.free(below):
            taken.take(below)
            parts.append(f'<text class="place" x="{middle - 3:.1f}" y="{y + 9:.1f}">{escape(words)}</text>')
            last = place
    return parts


def card_labels(slide: Mapping[str, Any], *, frame: Frame, drawn: Drawn, window: str) -> str:
    """Names of the notes in the zoomed picture of one slide, with the finger where it is told."""
    left, top, width, height = map(float, window.split())
    scale = min(_CARD_PX[0] / width, _CARD_PX[1] / height)
    size = _CARD_LETTER_PX / scale
    # What lies beside the window is seen too where the card is wider.
    left, width = left + width / 2 - _CARD_PX[0] / scale / 2, _CARD_PX[0] / scale
    parts = []
    for note in _neighbours(slide, drawn.notes):
        x1 = max(note["start_s"] * PIXELS_PER_S, left)
        x2 = min(note["end_s"] * PIXELS_PER_S, left + width)
        if x2 <= x1:
            continue
        hand = drawn.hands.get(note["note_id"])
        words = drawn.name(note["midi"])
        if hand is not None:
            told = f"{hand['string']} {_position(hand['position'])}".strip() if hand["finger"] else hand["string"]
            words += f" · {hand['finger']} ({told})"
        half = _width(words, size) / 2
        # Before the slide or after it, so that it stays free.
        if note["note_id"] == slide["to_note_id"]:
            x = max((x1 + x2) / 2, slide["end_s"] * PIXELS_PER_S + half)
        else:
            x = min((x1 + x2) / 2, slide["start_s"] * PIXELS_PER_S - half)
        x = min(max(x, left + half), left + width - half)
        y = min(float(frame.y(note["midi"])) + 1.5 * size, top + height - 0.4 * size)
        parts.append(f'<text style="font-size:{size:.2f}px" x="{x:.1f}" y="{y:.1f}">{escape(words)}</text>')
    return "".join(parts)


def _neighbours(slide: Mapping[str, Any], notes: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    ends = {slide["from_note_id"], slide["to_note_id"]} - {None}
    return [note for note in notes if note["note_id"] in ends]


def _position(position: int | None) -> str:
    return "" if position is None else _POSITIONS.split()[position]


def _width(words: str, size: float) -> float:
    return len(words) * size * _LETTER


def _box(x: float, y: float, words: str, size: float) -> tuple[float, float, float, float]:
    """The room that words need whose first letter stands at ``x`` on the line ``y``."""
    return x, y - size, x + _width(words, size), y + 0.2 * size
