"""Pictures of one side: the time-frequency picture in rows like lines of music, and what was found drawn over it.

Each row is one SVG symbol in units of its own: x is corrected time, y is pitch. The zoomed picture of a slide is
the same symbol seen through a smaller window, so it costs no second image.
"""

import base64
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import soxr
from PIL import Image

from pipeline.answers.note_names import Spelling, spelling
from pipeline.pages.chords import ChordCurve
from pipeline.pages.sound import PAGE_RATE_HZ, SLOW_RATE_HZ, Samples, spectra
from pipeline.units import Floats, db_of_gain, hz_of_midi

ROW_S = 12.0
OVERLAP_S = 1.0
PIXELS_PER_S = 60
PIXELS_PER_SEMITONE = 6


@dataclass(frozen=True)
class Frame:
    """The pitch range of a side's pictures, in MIDI numbers, both inclusive."""

    lowest: int
    highest: int

    @property
    def height(self) -> int:
        """Height of a row in units."""
        return (self.highest - self.lowest + 1) * PIXELS_PER_SEMITONE

    def y(self, midi: npt.ArrayLike) -> Any:
        """Vertical place of fractional MIDI numbers."""
        return (self.highest + 0.5 - np.asarray(midi, dtype=np.float64)) * PIXELS_PER_SEMITONE


def frame_of(midi: npt.ArrayLike, *, open_midi: Iterable[int]) -> Frame:
    """A range that holds all pitches found (MIDI, NaN left out), an open string below them, and some air."""
    found = np.asarray(midi, dtype=np.float64)
    found = found[np.isfinite(found)]
    lowest = int(np.floor(found.min())) if found.size else None
    low = min([*open_midi, *([] if lowest is None else [lowest])], default=55)
    if lowest is not None:
        low = max([low, *(each for each in open_midi if each < lowest)])
    high = int(np.ceil(found.max())) if found.size else low + 24
    # Two semitones of room below: one line of words, the seconds.
    return Frame(low - 2, max(high + 5, low + 24))


def picture(sound: Samples, *, frame: Frame, reference_pitch_hz: float) -> npt.NDArray[np.uint8]:
    """Level over time and pitch, shape (rows, columns), 0 quiet to 255 loud, relative to each row's own noise.

    93 ms Hann window on corrected sound at ``PAGE_RATE_HZ``; ``PIXELS_PER_S`` columns a second.
    """
    thinned = soxr.resample(sound, PAGE_RATE_HZ, SLOW_RATE_HZ)
    hop = round(SLOW_RATE_HZ / PIXELS_PER_S)
    magnitudes = np.abs(spectra(thinned, window=1024, hop=hop, bins=1025)).T
    midi = frame.highest + 0.5 - (np.arange(frame.height) + 0.5) / PIXELS_PER_SEMITONE
    bins = hz_of_midi(midi, reference_pitch_hz=reference_pitch_hz) * 2048 / SLOW_RATE_HZ
    bins = np.clip(bins, 0, magnitudes.shape[0] - 2)
    whole = bins.astype(int)
    part = (bins - whole).astype(np.float32)[:, None]
    level = db_of_gain(magnitudes[whole] * (1 - part) + magnitudes[whole + 1] * part + 1e-7)
    floor = np.percentile(level[:, ::4], 30, axis=1, keepdims=True)
    columns = int(np.ceil(sound.size * PIXELS_PER_S / PAGE_RATE_HZ)) + 1
    nearest = np.rint(np.arange(columns) * SLOW_RATE_HZ / (PIXELS_PER_S * hop)).astype(int)
    shown = level[:, np.minimum(nearest, level.shape[1] - 1)]
    return np.asarray(np.clip((shown - floor - 3) / 42, 0, 1) * 255, dtype=np.uint8)


def _image(picture_part: npt.NDArray[np.uint8]) -> str:
    """A grey picture, dark on light, as a data address."""
    shades = Image.fromarray(255 - (picture_part.astype(np.float32) * 0.62).astype(np.uint8), mode=None)
    buffer = io.BytesIO()
    shades.save(buffer, "WEBP", quality=45, method=2)
    return "data:image/webp;base64," + base64.b64encode(buffer.getvalue()).decode()


@dataclass(frozen=True)
class Drawn:
    """What is drawn over a side's picture, in corrected time.

    ``line_s`` and ``line_midi`` are the pitch line (NaN where there is none); ``notes`` and ``slides`` rows of
    the tables ``note`` and ``slide``; ``strings`` name and MIDI number of each open string; ``hands`` by note id the
    row of ``note_hand`` that can be taken for the answer; ``chords`` the notes of chords; ``other``
    times and pitches of a second player's line; ``name`` names pitches.
    """

    line_s: Floats
    line_midi: Floats
    notes: list[Mapping[str, Any]]
    slides: list[Mapping[str, Any]]
    strings: list[tuple[str, int]]
    hands: Mapping[str, Mapping[str, Any]]
    chords: Sequence[ChordCurve] = ()
    other: tuple[Floats, Floats] | None = None
    name: Spelling = field(default_factory=lambda: spelling(None))


def rows(whole: npt.NDArray[np.uint8], *, frame: Frame, drawn: Drawn, length_s: float) -> list[dict[str, Any]]:
    """The rows of a side: for each its beginning and end in s and its symbol's content."""
    made = []
    count = max(1, int(np.ceil(length_s / ROW_S)))
    for number in range(count):
        start = number * ROW_S
        shown_start, shown_end = max(0.0, start - OVERLAP_S), min(length_s, start + ROW_S + OVERLAP_S)
        made.append(
            {
                "number": number,
                "start_s": start,
                "end_s": min(length_s, start + ROW_S),
                "symbol": _symbol(whole, frame=frame, drawn=drawn, start_s=shown_start, end_s=shown_end),
                "window": f"{start * PIXELS_PER_S:.1f} 0 {ROW_S * PIXELS_PER_S:.1f} {frame.height}",
                "slides": [s for s in drawn.slides if start <= s["start_s"] < start + ROW_S],
            }
        )
    return made


def single(
    sound: Samples, *, drawn: Drawn, reference_pitch_hz: float, start_s: float, shaded_s: tuple[float, float]
) -> str:
    """One excerpt's picture as a whole SVG: ``sound`` begins at corrected time ``start_s``.

    ``shaded_s`` is what the excerpt is about, in seconds of the excerpt. It fills whatever room it is given, so
    that what is laid over it stands at the same share of its width.
    """
    end_s = start_s + sound.size / PAGE_RATE_HZ
    first, last = np.searchsorted(drawn.line_s, [start_s, end_s])
    frame = frame_of(drawn.line_midi[first:last], open_midi=())
    grey = picture(sound, frame=frame, reference_pitch_hz=reference_pitch_hz)
    moved = replace(drawn, line_s=drawn.line_s - start_s)
    symbol = _symbol(grey, frame=frame, drawn=moved, start_s=0.0, end_s=end_s - start_s)
    window = f"0 0 {(end_s - start_s) * PIXELS_PER_S:.1f} {frame.height}"
    left, right = (edge * PIXELS_PER_S for edge in shaded_s)
    band = f'<rect class="asked" x="{left:.1f}" y="0" width="{right - left:.1f}" height="{frame.height}"/>'
    label = "Time-frequency picture of the excerpt; what is asked about is shaded"
    return f'<svg viewBox="{window}" preserveAspectRatio="none" role="img" aria-label="{label}">{symbol}{band}</svg>'


def row_of(time_s: float) -> int:
    """Number of the row in which a corrected time lies."""
    return max(0, int(time_s // ROW_S))


def zoom_window(slide: Mapping[str, Any], *, frame: Frame) -> str:
    """View box around one slide: 0.35 s and 4 semitones of surroundings, inside its row's picture."""
    row = row_of(slide["start_s"])
    start = max(0.0, row * ROW_S - OVERLAP_S, slide["start_s"] - 0.35)
    end = min((row + 1) * ROW_S + OVERLAP_S, slide["end_s"] + 0.35)
    ends = [slide["from_midi"], slide["to_midi"]]
    ends += [slide[name] for name in ("step_from_midi", "step_to_midi") if slide.get(name) is not None]
    top = max(0.0, float(frame.y(max(ends) + 4)))
    bottom = min(float(frame.height), float(frame.y(min(ends) - 4)))
    return f"{start * PIXELS_PER_S:.1f} {top:.1f} {(end - start) * PIXELS_PER_S:.1f} {bottom - top:.1f}"


def _symbol(whole: npt.NDArray[np.uint8], *, frame: Frame, drawn: Drawn, start_s: float, end_s: float) -> str:
    first, last = int(start_s * PIXELS_PER_S), int(np.ceil(end_s * PIXELS_PER_S))
    part = whole[:, first : max(last, first + 1)]
    left, right = first, first + part.shape[1]
    parts = [
        f'<image href="{_image(part)}" x="{left}" y="0" width="{part.shape[1]}" height="{frame.height}" '
        'preserveAspectRatio="none"/>'
    ]
    for _, midi in drawn.strings:
        y = float(frame.y(midi))
        if y > frame.height:
            continue
        parts.append(f'<line class="string" x1="{left}" x2="{right}" y1="{y:.1f}" y2="{y:.1f}"/>')
    for note in drawn.notes:
        if note["end_s"] > start_s and note["start_s"] < end_s:
            y = float(frame.y(note["midi"]))
            x1, x2 = note["start_s"] * PIXELS_PER_S, note["end_s"] * PIXELS_PER_S
            parts.append(f'<line class="note" x1="{x1:.1f}" x2="{x2:.1f}" y1="{y:.1f}" y2="{y:.1f}"/>')
    own = drawn.line_s, drawn.line_midi
    for kind, line in (("pitch other", drawn.other), ("pitch", own)):
        if line is not None:
            parts += [
                f'<polyline class="{kind}" points="{points}"/>' for points in _pieces(line, frame, start_s, end_s)
            ]
    for curve in drawn.chords:
        if curve.time_s.size and curve.time_s[-1] > start_s and curve.time_s[0] < end_s:
            parts += _chord_note(curve, frame)
    for slide in drawn.slides:
        if slide["end_s"] > start_s and slide["start_s"] < end_s:
            parts += [
                f'<polyline class="slide" points="{points}"/>'
                for points in _pieces(own, frame, slide["start_s"], slide["end_s"])
            ]
    return "".join(parts)


def _chord_note(curve: ChordCurve, frame: Frame) -> list[str]:
    """The curve of one note of a chord in the colour of its string, and a tick where it begins, with its error."""
    points = _points(curve.time_s, frame.y(curve.midi))
    x, y = curve.onset_s * PIXELS_PER_S, float(frame.y(float(np.median(curve.midi))))
    told = curve.error_s is not None
    kind = f"chord {f'string-{curve.string}' if curve.string else ''}".strip()
    tick = f"{kind} onset" if told else "chord onset untold"
    made = [
        f'<polyline class="{kind}" points="{points}"/>',
        f'<line class="{tick}" x1="{x:.1f}" x2="{x:.1f}" y1="{y - 4:.1f}" y2="{y + 4:.1f}"/>',
    ]
    if curve.error_s is not None:
        away = curve.error_s * PIXELS_PER_S
        made.append(f'<line class="{tick}" x1="{x - away:.1f}" x2="{x + away:.1f}" y1="{y:.1f}" y2="{y:.1f}"/>')
    return made


def _points(time_s: Floats, y: Any) -> str:
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(time_s * PIXELS_PER_S, y, strict=True))


def _pieces(line: tuple[Floats, Floats], frame: Frame, start_s: float, end_s: float) -> list[str]:
    """A pitch line between two times as lists of points, broken where there is no line or it leaps."""
    first, last = np.searchsorted(line[0], [start_s, end_s])
    time_s, midi = line[0][first:last], line[1][first:last]
    voiced = np.isfinite(midi)
    breaks = np.flatnonzero((np.abs(np.diff(midi)) > 2.5) | ~voiced[1:] | ~voiced[:-1]) + 1
    made = []
    for piece in np.split(np.arange(midi.size), breaks):
        piece = piece[voiced[piece]]
        if piece.size >= 2:
            made.append(_points(time_s[piece], frame.y(midi[piece])))
    return made
