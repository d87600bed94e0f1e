"""A second look at what lies between notes: once both notes are known, was the way from one to the other a glide?

While it slides, a note is fainter and its partials are smeared, so that the line is lost there first. Both notes say
where to look. Where the network (``glide_network``) is sure of another pitch than the line's, the line is taken there;
everywhere it says how likely the pitch is gliding.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.signal.line.between import CELL, COLUMNS, STEP, Change, Spectra, view
from pipeline.signal.line.glide_network import Judged, judge, weights
from pipeline.signal.line.spectrum import F32
from pipeline.signal.slides.candidates import LEAST_INTERVAL, LONGEST_GLIDE_S, STOLEN_S, held_pitches
from pipeline.signal.slides.frames import AsItIs, Frames, Line, prepare
from pipeline.signal.slides.notes import find_spans
from pipeline.units import A4_HZ, Floats, hz_of_midi, midi_of_hz

LEAST_GLIDE = 0.3
"""Probability of a glide from which on the line may be moved to it."""
LEAST_MASS = 0.5
"""Probability of a pitch, with its neighbours, to which the line is moved."""
OFF = 0.5
"""Semitones that the line must be away from it."""
NEAR, HELD, SURE = 6, 0.15, 0.7
"""A change is a plain leap if the line, this sure in so many frames about it, is within this share of the way from
either note but for one frame: of 440 such on rendered sides 1 % were judged glides when looked at; none was missed.
With .6 a sixth fewer are looked at, but of 91 slides of real kind at 5 dB one more is missed."""
AT_ONCE = 16
"""Changes judged at once (by trial)."""

SpectraFrom = Callable[[int, int], Spectra]
"""Spectra of a side from a row on, so many rows."""


@dataclass(frozen=True)
class Looked:
    """Arrays (n,): ``gliding``, probability that the pitch glides from one note to another; ``f0_hz``, where the line
    should be moved to, and ``sure`` how likely that is right; NaN where it may stay."""

    gliding: Floats
    f0_hz: Floats
    sure: Floats


def changes(line: Line) -> list[Change]:
    """Changes of note in a line, those past a note that may be none beside those with it, by the beginning of views."""
    frames = prepare(line, speed_map=AsItIs(), reference_pitch_hz=A4_HZ, spans=None)
    notes = find_spans(frames)
    stolen, longest = (frames.frames(s) for s in (STOLEN_S, LONGEST_GLIDE_S))
    found = []
    for i, after in enumerate(notes):
        for before in notes[max(i - 2, 0) : i]:
            passed = before is not notes[i - 1]
            if after.start - before.end > longest or (passed and notes[i - 1].end - notes[i - 1].start > stolen):
                continue
            a, b = held_pitches(frames, before, after)
            if abs(b - a) >= LEAST_INTERVAL:
                plain = not passed and _leaps(frames, before.end, after.start, a, b)
                found.append(Change(before.end, after.start, a, b, plain))
    return sorted(found, key=lambda change: change.rows[0])


def _leaps(frames: Frames, end: int, start: int, a: float, b: float) -> bool:
    """Whether the line, sure all the time, is plainly on the one note and then on the other."""
    near = slice(max(end - NEAR, 0), start + NEAR)
    way = (frames.midi[near] - a) / (b - a)
    between = ~((way <= HELD) | (way >= 1.0 - HELD))
    return bool(frames.confidence[near].min() > SURE and between.sum() <= 1)


def views(found: list[Change], spectra: SpectraFrom, *, lowest_midi: float) -> list[F32]:
    """The views of changes in the order of their first rows (see ``between.view``), spectra once where views meet.

    ``lowest_midi`` is the pitch of the first searched bin.
    """
    seen: list[F32] = []
    while len(seen) < len(found):
        first, last = found[len(seen)].rows
        some = []
        for change in found[len(seen) :]:
            if change.rows[0] > last:
                break
            some.append(change)
            last = max(last, change.rows[1])
        top = max(first, 0)
        stretch = spectra(top, last - top)
        seen += [view(stretch, top, change, lowest_midi=lowest_midi) for change in some]
    return seen


def second_look(line: Line, spectra: SpectraFrom, *, lowest_midi: float) -> Looked:
    """Look again at all changes of note of a line; ``lowest_midi`` is the pitch of the first searched bin."""
    n = len(line.time_s)
    found = [change for change in changes(line) if not change.plain] if n > 1 else []
    looked = Looked(np.zeros(n), np.full(n, np.nan), np.full(n, np.nan))
    midi = midi_of_hz(np.asarray(line.f0_hz), reference_pitch_hz=A4_HZ)
    for at in range(0, len(found), AT_ONCE):
        some = found[at : at + AT_ONCE]
        judged_views = judge(views(some, spectra, lowest_midi=lowest_midi), weights())
        for change, judged in zip(some, judged_views, strict=True):
            _tell(change, judged, midi, looked)
    return looked


def _tell(change: Change, judged: Judged, midi: Floats, looked: Looked) -> None:
    """Write what is thought of a change over what was thought before, where it is surer."""
    first, last = change.rows
    at = np.arange(max(first * STEP, 0), min((last - 1) * STEP + 1, midi.size))
    rows = at / STEP - first
    known = np.arange(last - first)
    gliding = np.interp(rows, known, judged.gliding)
    better = gliding > looked.gliding[at]
    looked.gliding[at[better]] = gliding[better]
    if judged.glide < LEAST_GLIDE:
        return
    column, mass = _likeliest(judged.way)
    near = np.rint(rows).astype(np.int64)
    pitch = change.pitch_at(np.interp(rows, known, column))
    off = ~(np.abs(midi[at] - pitch) <= max(OFF, 1.5 * CELL * abs(change.b - change.a)))
    # Between two rows that disagree by more than a cell or two nothing is known.
    steady = np.abs(column[np.floor(rows).astype(np.int64)] - column[np.ceil(rows).astype(np.int64)]) <= 3.0
    moved = better & off & steady & (mass[near] >= LEAST_MASS) & (gliding >= LEAST_GLIDE)
    looked.f0_hz[at[moved]] = hz_of_midi(pitch[moved], reference_pitch_hz=A4_HZ)
    looked.sure[at[moved]] = mass[near][moved]


def _likeliest(way: Floats) -> tuple[Floats, Floats]:
    """The likeliest column of each row, with its neighbours as a fraction, and how likely all three are."""
    padded = np.pad(way[:, :COLUMNS], ((0, 0), (1, 1)))
    best = np.argmax(way[:, :COLUMNS], axis=1)
    three = np.take_along_axis(padded, best[:, None] + np.arange(3), axis=1)
    mass = three.sum(axis=1)
    return best + (three[:, 2] - three[:, 0]) / np.maximum(mass, 1e-9), mass
