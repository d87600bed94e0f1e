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
from pipeline.signal.slides.candidates import LEAST_INTERVAL, LEVEL_S, LONGEST_GLIDE_S, STOLEN_S, held_pitch
from pipeline.signal.slides.frames import AsItIs, Line, prepare
from pipeline.signal.slides.notes import find_spans
from pipeline.units import A4_HZ, Floats, hz_of_midi, midi_of_hz

LEAST_GLIDE = 0.3
"""Probability of a glide from which on the line may be moved to it."""
LEAST_MASS = 0.5
"""Probability of a pitch, with its neighbours, to which the line is moved."""
OFF = 0.5
"""Semitones that the line must be away from it."""
AT_ONCE = 4
"""Changes judged at once: what fits the processor's cache."""

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
    """Changes of note in a line, those past a note that may be none beside those with it."""
    frames = prepare(line, speed_map=AsItIs(), reference_pitch_hz=A4_HZ, spans=None)
    notes = find_spans(frames)
    far, stolen, longest = (frames.frames(s) for s in (LEVEL_S, STOLEN_S, LONGEST_GLIDE_S))
    found = []
    for i, after in enumerate(notes):
        for before in notes[max(i - 2, 0) : i]:
            passed = before is not notes[i - 1]
            if after.start - before.end > longest or (passed and notes[i - 1].end - notes[i - 1].start > stolen):
                continue
            a = held_pitch(frames, max(before.start, before.end - far), before.end, at_end=True)
            b = held_pitch(frames, after.start, min(after.end, after.start + far), at_end=False)
            if abs(b - a) >= LEAST_INTERVAL:
                found.append(Change(before.end, after.start, a, b))
    return found


def seen(change: Change, spectra: SpectraFrom, *, lowest_midi: float) -> F32:
    """The view of a change (see ``between.view``); ``lowest_midi`` is the pitch of the first searched bin."""
    first, last = change.rows
    top = max(first, 0)
    return view(spectra(top, last - top), top, change, lowest_midi=lowest_midi)


def second_look(line: Line, spectra: SpectraFrom, *, lowest_midi: float) -> Looked:
    """Look again at all changes of note of a line; ``lowest_midi`` is the pitch of the first searched bin."""
    n = len(line.time_s)
    found = changes(line) if n > 1 else []
    looked = Looked(np.zeros(n), np.full(n, np.nan), np.full(n, np.nan))
    midi = midi_of_hz(np.asarray(line.f0_hz), reference_pitch_hz=A4_HZ)
    for at in range(0, len(found), AT_ONCE):
        some = found[at : at + AT_ONCE]
        views = [seen(change, spectra, lowest_midi=lowest_midi) for change in some]
        for change, judged in zip(some, judge(views, weights()), strict=True):
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
